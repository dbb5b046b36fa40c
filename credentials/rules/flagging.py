"""Which findings open a question, and when a question that was closed may be opened again."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import replace
from datetime import date
from typing import NamedTuple

from audits.figures import Ask, Figures, Window
from credentials.rules.reasons import Finding
from credentials.rules.words import ONE_DAY

EVENT_RULES = frozenset({"attempts_limit", "serious_event", "critical_step"})
"""Rules whose findings are about one entry or observation: closed once, closed for good for that evidence."""


class FlagKey(NamedTuple):
    """With clinician and procedure, what tells one flag from another. Evidence is an entry's UUID, else empty."""

    rule: str
    evidence: str


class Day(NamedTuple):
    """What held at the end of a past day, and the next day on which that could change."""

    keys: Collection[FlagKey]
    next_change_on: date | None


def key_of(finding: Finding) -> FlagKey:
    return FlagKey(finding.rule, finding.key)


def with_closings(ask: Ask, closings: Iterable[date]) -> Ask:
    """The same ask, that also counts the insertions in the rate that came after each of these days."""
    windows = {_since(day): Window(day + ONE_DAY, ask.on) for day in closings}
    return replace(ask, windows={**ask.windows, **windows})


def to_raise(
    findings: Iterable[Finding],
    *,
    is_open: Collection[FlagKey],
    closed_on: Mapping[FlagKey, date],
    figures: Figures,
    again_after: int,
    was_absent: Callable[[FlagKey, date], bool],
) -> list[Finding]:
    """The findings that open a flag now, in their order.

    Only a finding with a review does, only if no flag is open for its key, and only if it was never closed or may come
    back: never for an event kind; else if at least `again_after` insertions in the rate came after the closing, or if
    `was_absent(key, closed on)` says that the finding was absent at the end of a day since. `closed_on` holds the
    latest closing of each key; `figures` must answer an ask made with `with_closings`.
    """
    return [
        finding
        for finding in findings
        if finding.consequence.is_review
        and key_of(finding) not in is_open
        and _may_come_back(key_of(finding), closed_on, figures, again_after, was_absent)
    ]


def was_absent_since(key: FlagKey, *, closed_on: date, on: date, day_at: Callable[[date], Day]) -> bool:
    """Whether the finding was absent at the end of the day of closing or of any day after it, up to `on`.

    `day_at` judges a past day from what is known now; only the days on which something can have changed are asked.
    """
    day = closed_on
    while day <= on:
        held = day_at(day)
        if key not in held.keys:
            return True
        if held.next_change_on is None:
            return False
        day = max(held.next_change_on, day + ONE_DAY)
    return False


def _may_come_back(
    key: FlagKey,
    closed_on: Mapping[FlagKey, date],
    figures: Figures,
    again_after: int,
    was_absent: Callable[[FlagKey, date], bool],
) -> bool:
    closed = closed_on.get(key)
    if closed is None:
        return True
    if key.rule in EVENT_RULES:
        return False
    return figures.window(_since(closed)).trials >= again_after or was_absent(key, closed)


def _since(closed: date) -> str:
    return f"since closing on {closed.isoformat()}"
