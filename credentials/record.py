"""Somebody's record in figures, for those who may see them: the rate with its interval and caseload, and the curves."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from audits.figures import Window
from audits.measures import rows_of
from audits.rates import percent
from audits.rows import Row, Stratum
from credentials.curves import Curve, drift_curve, learner_curve
from credentials.rules import assessable, logged
from credentials.rules.answers import Status
from credentials.rules.asking import RECENT, ask_for
from credentials.rules.facts import Basis, Facts
from credentials.rules.reasons import Finding, NotAssessable
from credentials.standings import Judged
from credentials.wording import BASIS_WORDS, RULE_WORDS


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the insertions in a rate: how many, and how many of them working first time."""

    words: str
    successes: int
    trials: int


@dataclass(frozen=True, kw_only=True)
class Record:
    """What stands behind an answer in numbers. `doubt` says why the rate cannot be judged, '' if it can.

    `tallied` are insertions of shift tallies in the same months, which are in no rate.

    `target` is what the rate is held against, for holders, None where it cannot be. `caseload` are parts of the rate
    that may overlap: a raw rate of much difficult work is not that of easy work.
    """

    months: int
    successes: int
    insertions: int
    tallied: int
    last_on: date | None
    basis: str
    doubt: str
    target: float | None
    caseload: Sequence[Part]
    drift: Curve | None
    learning: Curve | None
    findings: Sequence[Finding]
    not_assessable: Sequence[tuple[str, str]]

    @property
    def target_words(self) -> str:
        return "" if self.target is None else f"{percent(self.target)}%"


def record_of(judged: Judged, status: Status, *, known: int | None = None) -> Record:
    """The record that this judgement rests on. Two queries at most."""
    facts, standing, recent = judged.facts, judged.standing, judged.standing.recent
    window = ask_for(facts, judged.on).windows[RECENT]
    rows = _in_rate(judged, known)
    rate = facts.rules.first_attempt_rate if facts.rules else None
    found = doubt(facts, window, recent.partial)
    return Record(
        months=recent.months,
        successes=recent.successes,
        insertions=recent.insertions,
        tallied=logged.tallied(facts, window),
        last_on=recent.last_on,
        basis=basis_words(facts, judged.on),
        doubt=found,
        target=float(rate.target) if rate and status.is_held and not found else None,
        caseload=caseload(row for row in rows if _within(row, window)),
        drift=drift_curve(judged, rows),
        learning=None if status.is_held else learner_curve(rows),
        findings=standing.findings,
        not_assessable=[(RULE_WORDS[each.rule], each.text) for each in _once(standing.not_assessable)],
    )


STRATA = (
    ("Rescues: others had tried before", Stratum.RESCUE),
    ("Difficult access, scored before the attempt", Stratum.DIFFICULT),
    ("Difficult access, scored afterwards", Stratum.DIFFICULT_AFTER),
)


def caseload(rows: Iterable[Row]) -> list[Part]:
    """What was hard about these insertions, and the rest of them; empty where nothing was."""
    found = list(rows)
    parts = [_part(words, [row for row in found if row.stratum & bit]) for words, bit in STRATA]
    hard = [part for part in parts if part.trials]
    rest = _part("None of these", [row for row in found if not row.stratum])
    return [*hard, rest] if hard and rest.trials else hard


def basis_words(facts: Facts, on: date) -> str:
    """How completely insertions are logged at home on that day, which stands beside every rate."""
    return BASIS_WORDS[basis_on(facts, on)]


def basis_on(facts: Facts, on: date) -> Basis:
    """The logging basis that binds this person: a unit's own is that of holders, who learns logs every insertion."""
    found = [each.basis for each in facts.basis if each.starts <= on]
    return found[-1] if found and _has_held(facts, on) else Basis.EVERY_INSERTION


def doubt(facts: Facts, window: Window, partial: int) -> str:
    """Why the rate of a window cannot be judged, '' if it can."""
    if _has_held(facts, window.last) and not assessable.is_every_insertion(facts, first=window.first, last=window.last):
        return assessable.NOT_EVERY_INSERTION
    if partial:
        return "Some of these came from a sheet that does not claim to hold every insertion."
    return ""


def _has_held(facts: Facts, on: date) -> bool:
    spans = (*(each.span for each in facts.awards), *(each.span for each in facts.scopes))
    return any(span.starts <= on for span in spans)


def _once(found: Sequence[NotAssessable]) -> list[NotAssessable]:
    return [each for place, each in enumerate(found) if each not in found[:place]]


def _part(words: str, rows: Sequence[Row]) -> Part:
    return Part(words, sum(row.success for row in rows), len(rows))


def _within(row: Row, window: Window) -> bool:
    return window.first.toordinal() <= row.day <= window.last.toordinal()


def _in_rate(judged: Judged, known: int | None) -> list[Row]:
    rows = rows_of({judged.clinician}, on=judged.on, known=known)
    until = judged.on.toordinal()
    return [row for row in rows if row.procedure == judged.procedure and row.in_rate and row.day <= until]
