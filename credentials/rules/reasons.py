"""What the rules say: reasons for an answer, findings, and what cannot be assessed."""

from dataclasses import dataclass
from typing import NamedTuple

from audits.figures import EntryFact
from credentials.rules.answers import Answer
from credentials.rules.ruleset import Consequence, RuleSet


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """One reason for an answer. `rule` is the module that gives it; evidence is UUIDs."""

    rule: str
    text: str
    threshold: str = ""
    figure: str = ""
    evidence: tuple[str, ...] = ()


class Limit(NamedTuple):
    """What one thing allows, and why. The strictest of all limits is the answer."""

    gives: Answer
    reason: Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """A rule that fires. `key` is the evidence that tells two findings of a rule apart: an entry's UUID, else empty."""

    rule: str
    figure: str
    threshold: str
    text: str
    evidence: tuple[str, ...]
    consequence: Consequence
    set_name: str
    set_version: int
    key: str = ""


class NotAssessable(NamedTuple):
    """A rule that cannot say anything, and why: never the same as nothing found."""

    rule: str
    text: str


def uuid_of(fact: EntryFact) -> str:
    """The entry's UUID. Raises ValueError if it was not filled in: the findings of two entries would be one."""
    if fact.uuid is None:
        raise ValueError(f"insertion {fact.insertion} has no UUID: pass the figures through with_uuids first")
    return str(fact.uuid)


def finding(
    rules: RuleSet,
    rule: str,
    consequence: Consequence,
    *,
    figure: str,
    threshold: str,
    text: str,
    evidence: tuple[str, ...] = (),
    key: str = "",
) -> Finding:
    """A finding that names the set it comes from."""
    return Finding(
        rule=rule,
        figure=figure,
        threshold=threshold,
        text=text,
        evidence=evidence,
        consequence=consequence,
        set_name=rules.name,
        set_version=rules.version,
        key=key,
    )
