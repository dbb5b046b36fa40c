"""The locally set rules with their thresholds: one version of a set, read from its canonical content and checked.

Content: {"again_after": 10, "rules": {"drift": {"on": true, "consequence": "review", "reply_days": 14, ...}, ...}}.
A rule left out is off. Rates are strings such as "0.20", never floats. `PARAMETERS` lists names, limits, defaults and
the words of the form.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from math import isclose
from typing import Any

from audits.figures import EVENTS, event_bits
from credentials.rules.reading import Choice, ContentError, Field, Number, Several, Whole, Wrong, YesNo, read_fields

NOTE = "note"
REVIEW = "review"
UPPER_BOUND = "upper_bound"
BARE_RATE = "rate"


def _common(consequence: str) -> tuple[Field, ...]:
    return (
        YesNo("on", True, "In force"),
        Choice("consequence", consequence, (NOTE, REVIEW), "When it fires"),
        Whole("reply_days", 14, 1, 90, "Days to reply"),
    )


PARAMETERS: dict[str, tuple[Field, ...]] = {
    "first_attempt_rate": (
        *_common(REVIEW),
        Whole("minimum", 20, 5, 1000, "Asked from so many insertions"),
        Whole("months", 12, 1, 60, "in the last so many months"),
        Number("target", "0.80", "0", "1", "Fires if the interval lies wholly below"),
        Number("confidence", "0.95", "0.5", "1", "Confidence of the interval, two-sided"),
        Choice("compare", UPPER_BOUND, (UPPER_BOUND, BARE_RATE), "Compared with the target"),
    ),
    "drift": (
        *_common(REVIEW),
        Number("acceptable", "0.20", "0", "1", "Acceptable failure rate"),
        Number("unacceptable", "0.35", "0", "1", "Unacceptable failure rate"),
        Whole("run_length", 1281, 10, 1_000_000, "One false alarm in about so many insertions"),
        Number("limit", "4.0", "0", "1000", "Limit, worked out from the three above"),
    ),
    "repeated_failure": (*_common(REVIEW), Whole("failures", 5, 2, 50, "So many failed, one after another")),
    "recency": (*_common(NOTE), Whole("days", 183, 7, 3660, "No insertion for so many days")),
    "volume": (
        *_common(NOTE),
        Whole("insertions", 12, 1, 1000, "Fewer than so many"),
        Whole("days", 365, 28, 3660, "over the last so many days without absence"),
    ),
    "attempts_limit": (
        *_common(REVIEW),
        Whole("punctures", 2, 1, 20, "More punctures than this by one clinician"),
        Whole("occasion", 4, 1, 40, "or more than this in one occasion"),
        Whole("months", 12, 1, 60, "Stands for so many months"),
    ),
    "serious_event": (
        *_common(REVIEW),
        Several("kinds", EVENTS, EVENTS, "Kinds of event"),
        Whole("months", 12, 1, 60, "Stands for so many months"),
    ),
    "critical_step": (*_common(REVIEW), Whole("months", 12, 1, 60, "Stands for so many months")),
    "observation_overdue": (
        *_common(NOTE),
        Whole("learning_days", 90, 0, 3660, "Learning: not observed with a patient for so many days (0: not asked)"),
        Whole("holding_days", 0, 0, 3660, "Holding: not observed with a patient for so many days (0: not asked)"),
    ),
    "expiry": (YesNo("on", True, "In force"),),
}


@dataclass(frozen=True, slots=True)
class Consequence:
    """What a finding leads to: a note on the page, or a review with days to reply."""

    kind: str
    reply_days: int

    @property
    def is_review(self) -> bool:
        return self.kind == REVIEW


ALWAYS_A_NOTE = Consequence(NOTE, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstAttemptRate:
    consequence: Consequence
    minimum: int
    months: int
    target: Decimal
    confidence: Decimal


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Rates are of failure. `limit` belongs to the wanted `run_length` and was worked out when the set was proposed."""

    consequence: Consequence
    acceptable: Decimal
    unacceptable: Decimal
    run_length: int
    limit: Decimal

    @property
    def parameters(self) -> tuple[str, str, str]:
        """What a path depends on: as long as these stay the same, a new version of the set does not restart it."""
        return str(self.acceptable.normalize()), str(self.unacceptable.normalize()), str(self.limit.normalize())


@dataclass(frozen=True, slots=True, kw_only=True)
class RepeatedFailure:
    consequence: Consequence
    failures: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Recency:
    consequence: Consequence
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Volume:
    consequence: Consequence
    insertions: int
    days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptsLimit:
    consequence: Consequence
    punctures: int
    occasion: int
    months: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriousEvent:
    consequence: Consequence
    kinds: tuple[str, ...]
    months: int

    @property
    def bits(self) -> int:
        return event_bits(self.kinds)


@dataclass(frozen=True, slots=True, kw_only=True)
class CriticalStep:
    consequence: Consequence
    months: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationOverdue:
    """Days without absence; 0 asks nothing."""

    consequence: Consequence
    learning_days: int
    holding_days: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Expiry:
    consequence: Consequence = ALWAYS_A_NOTE


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleSet:
    """One version of a set. A rule that is off is None. `again_after` insertions may bring a closed flag back."""

    uuid: str
    version: int
    name: str
    again_after: int = 10
    first_attempt_rate: FirstAttemptRate | None = None
    drift: Drift | None = None
    repeated_failure: RepeatedFailure | None = None
    recency: Recency | None = None
    volume: Volume | None = None
    attempts_limit: AttemptsLimit | None = None
    serious_event: SeriousEvent | None = None
    critical_step: CriticalStep | None = None
    observation_overdue: ObservationOverdue | None = None
    expiry: Expiry | None = None

    @classmethod
    def parse(cls, content: Mapping[str, object], *, uuid: str, version: int, name: str) -> "RuleSet":
        """The set in this content. Raises ContentError with everything that is wrong with it."""
        values, errors = _read(content)
        if errors:
            raise ContentError(errors)
        again_after, rules = values
        return cls(uuid=uuid, version=version, name=name, again_after=again_after, **rules)


def errors_in(content: Mapping[str, object]) -> list[Wrong]:
    """What is wrong with a set's content, for the form: an empty list if it can be used."""
    return _read(content)[1]


def default_content() -> dict[str, object]:
    """The example set with every rule on at its default, to be approved locally."""
    rules: dict[str, object] = {}
    for rule, fields in PARAMETERS.items():
        rules[rule] = {
            field.name: list(field.default) if isinstance(field, Several) else field.default for field in fields
        }
    return {"again_after": 10, "rules": rules}


def spelt_out(content: Mapping[str, Any]) -> dict[str, Any]:
    """The same content with the defaults of what its rules leave out, so that a stored version says all that it holds.

    Rules left out stay off. Content that is wrong comes back as it is, for `errors_in` to say so.
    """
    rules = content.get("rules")
    if not isinstance(rules, Mapping) or not all(isinstance(part, Mapping) for part in rules.values()):
        return dict(content)
    defaults: Mapping[str, Any] = default_content()
    known: Mapping[str, Any] = defaults["rules"]
    full = {rule: {**known.get(rule, {}), **part} for rule, part in rules.items()}
    return {"again_after": defaults["again_after"], **content, "rules": full}


def bare_rate_false_alarm(*, target: Decimal, minimum: int) -> float:
    """How often 'rate below target' would accuse somebody who is exactly on target, at one look after `minimum`."""
    # Here, because reading a set that is in force should not wait for scipy.
    from audits.statistics.operating import Bound, RateRule, flag_probability

    rule = RateRule(float(target), minimum, bound=Bound.BARE)
    return flag_probability(rule, float(target), trials=minimum)


def with_limit(content: Mapping[str, Any]) -> dict[str, Any]:
    """The same content with the limit of drift worked out from its rates and wanted run length, to be stored with it.

    A given limit with the same run length stays. Content that is wrong, or without drift, comes back as it is.
    Source of the run length: `audits.statistics.sequential.limit_for_run_length`.
    """
    # Here, because reading a set that is in force should not wait for scipy.
    from audits.statistics.sequential import limit_for_run_length, run_length, score_weights

    values, errors = _read(content)
    drift = values[1].get("drift")
    if errors or drift is None:
        return dict(content)
    acceptable, unacceptable = float(drift.acceptable), float(drift.unacceptable)
    weights = score_weights(acceptable, unacceptable)
    limit = limit_for_run_length(acceptable, unacceptable, run_length=drift.run_length)
    least, given = (run_length(acceptable, weights=weights, limit=each).mean for each in (limit, float(drift.limit)))
    if not isclose(least, given, rel_tol=1e-9):
        given_drift = {**content["rules"]["drift"], "limit": str(limit)}
        return {**content, "rules": {**content["rules"], "drift": given_drift}}
    return dict(content)


_KINDS: dict[str, Any] = {
    "first_attempt_rate": FirstAttemptRate,
    "drift": Drift,
    "repeated_failure": RepeatedFailure,
    "recency": Recency,
    "volume": Volume,
    "attempts_limit": AttemptsLimit,
    "serious_event": SeriousEvent,
    "critical_step": CriticalStep,
    "observation_overdue": ObservationOverdue,
    "expiry": Expiry,
}


def _read(content: Mapping[str, object]) -> tuple[tuple[int, dict[str, Any]], list[Wrong]]:
    errors: list[Wrong] = []
    top = {name: value for name, value in content.items() if name != "rules"}
    again = read_fields(top, (Whole("again_after", 10, 1, 1000, ""),), at="", errors=errors)
    given = content.get("rules")
    if not isinstance(given, Mapping):
        return (0, {}), [*errors, Wrong("rules", "must be an object with a part for each rule")]
    errors.extend(Wrong(f"rules.{name}", "is not a rule") for name in given if name not in PARAMETERS)
    rules: dict[str, Any] = {}
    for rule, fields in PARAMETERS.items():
        if rule not in given:
            continue
        before = len(errors)
        values: dict[str, Any] = read_fields(given[rule], fields, at=f"rules.{rule}", errors=errors)
        if len(errors) == before:
            errors.extend(_contradictions(rule, values))
        if len(errors) == before and values.pop("on"):
            rules[rule] = _built(rule, values)
    return (int(str(again.get("again_after", 10))), rules), errors


def _built(rule: str, values: dict[str, Any]) -> object:
    if rule == "expiry":
        return Expiry()
    values.pop("compare", None)
    consequence = Consequence(values.pop("consequence"), values.pop("reply_days"))
    return _KINDS[rule](consequence=consequence, **values)


def _contradictions(rule: str, values: Mapping[str, Any]) -> list[Wrong]:
    if rule == "drift" and values["acceptable"] >= values["unacceptable"]:
        return [Wrong("rules.drift.unacceptable", f"must be more than the acceptable {values['acceptable']}")]
    if rule == "first_attempt_rate" and values["compare"] == BARE_RATE:
        share = bare_rate_false_alarm(target=values["target"], minimum=values["minimum"])
        return [
            Wrong(
                "rules.first_attempt_rate.compare",
                f"a rule on the bare rate would flag {share:.0%} of clinicians who are exactly on target, each time it "
                f"looks at {values['minimum']} insertions: compare the upper end of the interval instead",
            )
        ]
    if rule == "attempts_limit" and values["occasion"] < values["punctures"]:
        return [
            Wrong("rules.attempts_limit.occasion", f"cannot be less than the {values['punctures']} of one clinician")
        ]
    return []
