"""The least valid facts and figures, so that a test names only what it is about."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import count
from uuid import UUID

from audits.calendar import add_months
from audits.figures import Credit, Figures, Row, Safety, fold, insertions_named, with_uuids
from credentials.rules import ruleset
from credentials.rules.asking import ask_for
from credentials.rules.facts import (
    Appointment,
    Award,
    AwardKind,
    Completion,
    Enrolment,
    Facts,
    Placement,
    Restriction,
    RestrictionKind,
    Scope,
    Span,
)
from credentials.rules.standing import AnswerAt, Standing, answer_at_home, judge
from credentials.rules.terms import Terms

# The tree: a group, two hospitals, wards of the first.
GROUP, HOSPITAL, OTHER_HOSPITAL, WARD, DAY_WARD, OTHER_WARD = 1, 2, 3, 4, 5, 6
LINES = {
    GROUP: (GROUP,),
    HOSPITAL: (HOSPITAL, GROUP),
    OTHER_HOSPITAL: (OTHER_HOSPITAL, GROUP),
    WARD: (WARD, HOSPITAL, GROUP),
    DAY_WARD: (DAY_WARD, HOSPITAL, GROUP),
    OTHER_WARD: (OTHER_WARD, OTHER_HOSPITAL, GROUP),
}
ON = date(2025, 6, 11)
LONG_AGO = date(2020, 1, 1)
_numbers = count(1)


def a_set(**rules: dict[str, object]) -> ruleset.RuleSet:
    """A set with only the rules named, each with the parameters given and else its defaults."""
    content = {"rules": rules}
    return ruleset.RuleSet.parse(content, uuid="set", version=3, name="Ward rules")


EVERY_RULE = ruleset.RuleSet.parse(ruleset.default_content(), uuid="set", version=3, name="Ward rules")


def a_placement(*, unit: int = WARD, starts: date = LONG_AGO, until: date | None = None, **values: object) -> Placement:
    return Placement(span=Span(starts, until), unit=unit, **{"kind": "employed", "home": True} | values)  # type: ignore[arg-type]


def an_appointment(*, starts: date = LONG_AGO, until: date | None = None) -> Appointment:
    return Appointment(span=Span(starts, until), unit=WARD, role="supervisor")


def an_award(
    *,
    starts: date = LONG_AGO,
    until: date | None = None,
    months: int = 24,
    unit: int = WARD,
    anchor: date | None = None,
    kind: AwardKind = AwardKind.AWARD,
    first: bool = False,
    terms: Terms | None = None,
) -> Award:
    return Award(
        uuid=f"award-{next(_numbers)}",
        kind=kind,
        unit=unit,
        span=Span(starts, until),
        anchor=anchor or starts,
        months=months,
        first=first,
        terms=terms or Terms(),
    )


def an_award_expiring(expires_on: date, *, months: int = 24, **values: object) -> Award:
    """An award whose calendar ends on that day; not for ends that a month's end has clamped."""
    award = an_award(starts=add_months(expires_on, -months), months=months, **values)  # type: ignore[arg-type]
    assert award.expires_on == expires_on
    return award


def a_scope(*, unit: int = WARD, starts: date = LONG_AGO, until: date | None = None) -> Scope:
    return Scope(uuid="scope", unit=unit, span=Span(starts, until))


def a_restriction(kind: RestrictionKind, *, starts: date, until: date | None = None, **values: object) -> Restriction:
    return Restriction(uuid=f"restriction-{next(_numbers)}", kind=kind, span=Span(starts, until), **values)  # type: ignore[arg-type]


def an_enrolment(*, starts: date = LONG_AGO, until: date | None = None, terms: Terms | None = None) -> Enrolment:
    return Enrolment(uuid=f"enrolment-{next(_numbers)}", span=Span(starts, until), terms=terms or Terms())


def a_completion(kind: str, day: date, valid_until: date | None = None) -> Completion:
    return Completion(uuid=f"completion-{next(_numbers)}", kind=kind, day=day, valid_until=valid_until)


def entry_terms_met(day: date = LONG_AGO) -> tuple[Completion, ...]:
    return a_completion("knowledge", day), a_completion("simulation", day)


def some_facts(**values: object) -> Facts:
    """Somebody placed on the ward for ever, of whom nothing else is known."""
    given: dict[str, object] = {"home": WARD, "lines": LINES, "placements": (a_placement(),), "start": LONG_AGO}
    return Facts(**given | values)  # type: ignore[arg-type]


def a_row(day: date, **values: int) -> Row:
    """A submitted insertion that worked first time, neither signed nor from a partial sheet."""
    number = next(_numbers)
    row = Row(
        clinician=1, procedure=1, time=day.toordinal() * 86400, tie=number, insertion=number, day=day.toordinal(),
        in_rate=1, success=1, punctures=1, total=1, events=0, safety=Safety.YES, credit=Credit.NONE, in_question=0,
        volume=1, partial=0, supervisor=0, unit=WARD, stratum=0,
    )  # fmt: skip
    return row._replace(**values)


def rows_of(outcomes: str, *, first: date, every: int = 1, **values: int) -> list[Row]:
    """One row for each letter: '0' worked first time, '1' failed; so many days apart."""
    return [
        a_row(first + timedelta(days=every * place), success=int(letter == "0"), **values)
        for place, letter in enumerate(outcomes)
    ]


def signed_rows(number: int, *, first: date, supervisors: int = 2, **values: int) -> list[Row]:
    """Insertions countersigned in the room, a day apart, by so many supervisors in turn."""
    return [
        a_row(first + timedelta(days=place), credit=Credit.IN_ROOM, supervisor=100 + place % supervisors, **values)
        for place in range(number)
    ]


def uuid_for(row: Row) -> str:
    return str(UUID(int=row.insertion))


def figures_on(facts: Facts, rows: list[Row], on: date) -> Figures:
    """The figures that answer the rules' own ask, every entry named."""
    ordered = sorted(rows, key=lambda row: (row.time, row.tie))
    figures = fold(1, 1, ordered, ask_for(facts, on))
    return with_uuids(figures, {key: UUID(int=key) for key in insertions_named(figures)})


def standing_on(facts: Facts, on: date = ON, rows: list[Row] | None = None) -> Standing:
    return judge(facts, figures_on(facts, rows or [], on), on)


def answer_on(facts: Facts, on: date = ON, rows: list[Row] | None = None) -> AnswerAt:
    """The answer at home."""
    return answer_at_home(standing_on(facts, on, rows), on=on)


def with_row(row: Row, **values: int) -> Row:
    return row._replace(**values)


def without(facts: Facts, *names: str) -> Facts:
    return replace(facts, **dict.fromkeys(names, ()))
