"""From the database to the facts that the rules judge: for one person or many in the same number of queries."""

import json
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any, TypeVar

from audits.checklist import Purpose, Setting
from audits.checklists import parsed
from audits.models import (
    Award,
    Checklist,
    Completion,
    Dispute,
    Observation,
    ObservationDispute,
    Procedure,
    Recognition,
    Restriction,
    ScopeByRole,
    Tally,
)
from audits.ruling import struck_observations
from audits.shelf import Shelf
from credentials.documents import drift_since, rule_set, rules_known, terms
from credentials.models import Enrolment, Flag, Rules
from credentials.rules import facts as pure
from credentials.rules.answers import Answer
from credentials.rules.facts import AwardKind, Basis, BasisFrom, Facts, RestrictionKind, Span, Tallied
from people import clock
from people.models import Absence, Appointment, Clinician, Placement
from people.settings import Book, book
from people.staffing import professions_then
from people.tree import Tree, tree

Pair = tuple[int, int]
Row = TypeVar("Row")


@dataclass(frozen=True, eq=False)
class Ground:
    """What all standings share, as known at one moment: the tree, the settings, the rules, the procedures."""

    known: int | None
    tree: Tree
    book: Book
    rules: Shelf[Rules]
    codes: Mapping[int, str]
    names: Mapping[str, tuple[int, str]] = field(default_factory=dict)

    @cached_property
    def _above(self) -> dict[int, tuple[int, ...]]:
        return {}

    def above(self, unit: int) -> tuple[int, ...]:
        if unit not in self._above:
            self._above[unit] = self.tree.above(unit)
        return self._above[unit]


def ground(known: int | None = None) -> Ground:
    """Read what all standings share. Four queries."""
    rows = list(Procedure.objects.values_list("id", "code", "name"))
    codes = {key: code for key, code, _ in rows}
    names = {code: (key, name) for key, code, name in rows}
    return Ground(known, tree(known), book(known), rules_known(known), codes, names)


@dataclass(frozen=True, eq=False)
class Person:
    """Everything dated about one clinician, every procedure together, as known at one moment."""

    clinician: int
    profession: str
    placements: Sequence[Placement] = ()
    appointments: Sequence[Appointment] = ()
    absences: Sequence[Absence] = ()
    awards: Sequence[Award] = ()
    restrictions: Sequence[Restriction] = ()
    scopes: Sequence[ScopeByRole] = ()
    completions: Sequence[Completion] = ()
    recognitions: Sequence[Recognition] = ()
    observations: Sequence[tuple[int, pure.Observation]] = ()
    enrolments: Sequence[Enrolment] = ()
    drift_closings: Sequence[tuple[int, date]] = ()
    disputes: Sequence[tuple[int, date]] = ()
    tallies: Sequence[tuple[int, Tallied]] = ()

    def home_on(self, on: date) -> int | None:
        """The home unit of that day; without a placement the last home before it, else the first to come.

        Somebody never placed, who supervises by appointment, is at home where the first appointment is.
        """
        homes = sorted((each for each in self.placements if each.home), key=lambda each: each.from_day)
        at = [each for each in homes if each.from_day <= on]
        if homes:
            return (at[-1] if at else homes[0]).unit_id
        first = min(self.appointments, key=lambda each: (each.from_day, each.pk), default=None)
        return first.unit_id if first else None

    def zone(self, ground: Ground) -> str:
        """The zone whose civil date is this person's day: the home unit's."""
        home = self.home_on(clock.now().date())
        return ground.tree.zone(home if home is not None else ground.tree.root)


def people(clinicians: Collection[int], ground: Ground) -> dict[int, Person]:
    """Read everything dated about these clinicians. The number of queries does not grow with theirs."""
    then = professions_then(ground.known)
    rows = Clinician.objects.filter(pk__in=clinicians).values_list("id", "uuid", "profession")
    found = {each: then.get(uuid, profession) for each, uuid, profession in rows}
    users = dict(Clinician.objects.filter(pk__in=clinicians, user__isnull=False).values_list("user_id", "id"))
    known = ground.known
    placements = _by(Placement.objects.known(known).filter(clinician__in=clinicians), "clinician_id")
    appointments = _by(Appointment.objects.known(known).filter(user__in=list(users)), lambda each: users[each.user_id])
    scopes = list(ScopeByRole.objects.known(known).order_by("id"))
    read: dict[str, Mapping[int, list[Any]]] = {
        "absences": _by(Absence.objects.known(known).filter(clinician__in=clinicians), "clinician_id"),
        "awards": _by(Award.objects.known(known).filter(clinician__in=clinicians), "clinician_id"),
        "restrictions": _by(Restriction.objects.known(known).filter(clinician__in=clinicians), "clinician_id"),
        "completions": _by(
            Completion.objects.known(known).filter(clinician__in=clinicians, passed=True), "clinician_id"
        ),
        "recognitions": _by(
            Recognition.objects.known(known).filter(clinician__in=clinicians, outcome=Recognition.Outcome.PART),
            "clinician_id",
        ),
        "observations": _observations(clinicians, known),
        "enrolments": _by(
            Enrolment.objects.known(known).filter(clinician__in=clinicians).select_related("programme"), "clinician_id"
        ),
        "drift_closings": _pairs(_drift_closings(clinicians, known)),
        "disputes": _pairs(_disputes(clinicians, known)),
        "tallies": _tallies(clinicians, known),
    }
    return {
        each: Person(
            each,
            profession,
            placements=placements.get(each, ()),
            appointments=appointments.get(each, ()),
            scopes=[scope for scope in scopes if scope.clinician_id == each or scope.profession == profession],
            **{name: rows.get(each, ()) for name, rows in read.items()},
        )
        for each, profession in found.items()
    }


def facts_of(person: Person, procedure: int, ground: Ground, on: date) -> Facts:
    """The facts of one clinician and procedure for the judgement of one day. No query."""
    home = person.home_on(on)
    above = ground.above(home) if home is not None else ()
    awards = [_award(each) for each in person.awards if each.procedure_id == procedure]
    by_role = [each for each in person.scopes if each.procedure_id == procedure]
    scopes = [part for each in by_role for part in _scopes(each, person, ground)]
    code = ground.codes[procedure]
    enrolments = tuple(_enrolment(each) for each in person.enrolments if each.procedure_id == procedure)
    start = ground.book.value("start_day", above, code, on=on)
    rules = ground.rules.binding(procedure, above, on)
    placed = {each.unit_id for each in person.placements}
    units = placed | {each.unit for each in awards} | {each.unit for each in scopes}
    homes = [
        (each.from_day, ground.above(each.unit_id))
        for each in sorted(person.placements, key=lambda each: each.from_day)
        if each.home
    ]
    return Facts(
        home=home,
        lines={unit: ground.above(unit) for unit in sorted(units | ({home} if home is not None else set()))},
        placements=tuple(_placement(each, ground, on) for each in person.placements),
        appointments=tuple(
            pure.Appointment(span=_span(each), unit=each.unit_id, role=each.role) for each in person.appointments
        ),
        awards=tuple(awards),
        scopes=tuple(scopes),
        restrictions=tuple(
            _restriction(each) for each in person.restrictions if each.procedure_id in (None, procedure)
        ),
        enrolments=enrolments,
        absences=tuple(_span(each) for each in person.absences),
        completions=tuple(_completion(each) for each in person.completions if each.procedure_id == procedure),
        recognised=tuple(
            pure.Recognised(uuid=str(each.uuid), day=each.on, insertions=each.insertions)
            for each in person.recognitions
            if each.procedure_id == procedure
        ),
        observations=tuple(seen for at, seen in person.observations if at == procedure),
        basis=_basis(ground, homes or [(date.min, above)], code),
        tallies=tuple(each for at, each in person.tallies if at == procedure),
        start=date.fromisoformat(start) if start else None,
        rules=rule_set(rules) if rules else None,
        drift_since=drift_since(ground.rules, procedure, homes, on),
        drift_restarts=tuple(sorted(day for at, day in person.drift_closings if at == procedure and day <= on)),
        dispute_days=tuple(sorted(day for at, day in person.disputes if at == procedure and day > on)),
        later_changes=tuple(sorted(_changes_after(procedure, ground, above, placed, on))),
        logged_through=_logged_through(person, ground, on),
        counted_from={
            other: ground.names[other]
            for each in enrolments
            for other in each.terms.counts_from
            if other in ground.names and other != code
        },
    )


def _logged_through(person: Person, ground: Ground, on: date) -> date | None:
    """The present day at home, where a later one is judged: what nobody can have logged yet is no evidence."""
    if on < clock.now().date() - timedelta(days=1) or not ground.tree.nodes:
        return None  # in no zone in the future; or nothing is known of any
    now = clock.today(person.zone(ground))
    return now if on > now else None


def _changes_after(procedure: int, ground: Ground, above: Sequence[int], placed: Iterable[int], on: date) -> set[date]:
    """Settings and rules reach somebody where they are placed, not where an award holds: so does who is touched."""
    lines = {each for unit in placed for each in ground.above(unit)} | set(above)
    return ground.book.changes_after(sorted(lines), on) | {
        day for day in ground.rules.changes(procedure, lines) if day > on
    }


def _basis(ground: Ground, homes: Sequence[tuple[date, Sequence[int]]], code: str) -> tuple[BasisFrom, ...]:
    """The logging basis where it changes, ascending, of the home unit of each day; before that every insertion.

    `homes`: from which day, and the unit with those above it. What was before the first home is as at that one.
    """
    found: list[BasisFrom] = []
    before = Basis.EVERY_INSERTION
    for place, (since, above) in enumerate(homes):
        starts = since if place else date.min
        until = homes[place + 1][0] if place + 1 < len(homes) else date.max
        for day in sorted({starts, *ground.book.changes_after(above, starts)}):
            basis = Basis(ground.book.value("logging_basis", above, code, on=day))
            if day < until and basis != before:
                found.append(BasisFrom(day, basis))
                before = basis
    return tuple(found)


def _tallies(clinicians: Collection[int], known: int | None) -> Mapping[int, list[tuple[int, Tallied]]]:
    """Tallied days with an insertion, oldest first, each with its procedure."""
    rows = Tally.objects.known(known).filter(clinician__in=clinicians, insertions__gt=0).order_by("on", "id")
    found: dict[int, list[tuple[int, Tallied]]] = defaultdict(list)
    for clinician, procedure, day, insertions in rows.values_list("clinician", "procedure", "on", "insertions"):
        found[clinician].append((procedure, Tallied(day, insertions)))
    return found


def _placement(row: Placement, ground: Ground, on: date) -> pure.Placement:
    ceiling = ground.book.value(f"ceiling_{row.kind}", ground.above(row.unit_id), on=on)
    return pure.Placement(
        span=_span(row),
        unit=row.unit_id,
        kind=row.kind,
        home=row.home,
        ceiling=Answer(ceiling) if ceiling else None,
    )


def _award(row: Award) -> pure.Award:
    return pure.Award(
        uuid=str(row.uuid),
        kind=AwardKind(row.kind),
        unit=row.scope_unit_id,
        span=_span(row),
        anchor=row.anchor,
        months=row.months,
        terms=terms(row.terms),
        first=row.first,
        programme=str(row.programme),
    )


def _scopes(row: ScopeByRole, person: Person, ground: Ground) -> Iterable[pure.Scope]:
    """A person's scope as it is; a profession's while this person works on its unit, below it or over it."""
    if row.clinician_id is not None:
        yield pure.Scope(uuid=str(row.uuid), unit=row.unit_id, span=_span(row))
        return
    covering = ground.above(row.unit_id)
    posts: list[Placement | Appointment] = [*person.placements, *person.appointments]
    for each in posts:
        works_there = each.unit_id in covering or row.unit_id in ground.above(each.unit_id)
        if works_there and (span := _common(_span(row), _span(each))):
            yield pure.Scope(uuid=str(row.uuid), unit=row.unit_id, span=span)


def _common(one: Span, other: Span) -> Span | None:
    """The days in both, if any."""
    starts = max(one.starts, other.starts)
    ends = [each.until for each in (one, other) if each.until is not None]
    until = min(ends) if ends else None
    return Span(starts, until) if until is None or starts < until else None


def _restriction(row: Restriction) -> pure.Restriction:
    asked = json.loads(row.basis)
    return pure.Restriction(
        uuid=str(row.uuid),
        kind=RestrictionKind(row.kind),
        span=_span(row),
        answer=Answer(row.answer),
        due_on=row.due_on,
        insertions=asked.get("insertions", 0),
        observations=asked.get("observations", 0),
    )


def _enrolment(row: Enrolment) -> pure.Enrolment:
    return pure.Enrolment(
        uuid=str(row.uuid),
        span=_span(row),
        terms=terms(row.programme.content),
        programme=str(row.programme.uuid),
    )


def _completion(row: Completion) -> pure.Completion:
    return pure.Completion(uuid=str(row.uuid), kind=row.kind, day=row.on, valid_until=row.valid_until)


def _observations(clinicians: Collection[int], known: int | None) -> Mapping[int, list[tuple[int, pure.Observation]]]:
    """Signed first ratings that were not struck out, oldest first, each with its procedure. Four queries at most."""
    struck = struck_observations(known).filter(observation_dispute__observation__clinician__in=clinicians)
    gone = set(struck.values_list("observation_dispute__observation", flat=True))
    rows = Observation.objects.signed_by(known).filter(clinician__in=clinicians, second_of=None)
    disputed = set(
        ObservationDispute.objects.known(known)
        .filter(observation__clinician__in=clinicians)
        .values_list("observation", flat=True)
    )
    # What was ticked step by step is large, and no part of a standing.
    seen_ones = [row for row in rows.defer("content").order_by("observed_on", "id") if row.pk not in gone]
    checklists = Checklist.objects.in_bulk({row.checklist_id for row in seen_ones if row.missed})
    found: dict[int, list[tuple[int, pure.Observation]]] = defaultdict(list)
    for row in seen_ones:
        seen = pure.Observation(
            uuid=str(row.uuid),
            day=row.observed_on,
            assessor=row.assessor_id,
            for_decision=row.purpose == Purpose.DECISION,
            setting=Setting(row.setting),
            verdict=row.verdict,
            missed=_missed(row, checklists),
            disputed=row.pk in disputed,
        )
        found[row.clinician_id].append((row.procedure_id, seen))
    return found


def _missed(row: Observation, checklists: Mapping[int, Checklist]) -> tuple[str, ...]:
    """The texts of the critical steps missed, as the version that was observed with says them."""
    if not row.missed:
        return ()
    steps = parsed(checklists[row.checklist_id])
    return tuple(steps.said(steps.step(key).text) for key in row.missed.split(","))


def _span(row: Any) -> Span:
    return Span(row.from_day, row.until_day)


def _drift_closings(clinicians: Collection[int], known: int | None) -> Iterable[tuple[int, int, date]]:
    rows = Flag.objects.filter(clinician__in=clinicians, rule="drift", closed__isnull=False)
    if known is not None:
        rows = rows.filter(closed__lte=known)
    for clinician, procedure, closed_on in rows.values_list("clinician", "procedure", "closed_on"):
        if closed_on is not None:
            yield clinician, procedure, closed_on


def _disputes(clinicians: Collection[int], known: int | None) -> Iterable[tuple[int, int, date]]:
    """The days on which open disputes return their entries to safety."""
    rows = Dispute.objects.known(known).filter(insertion__clinician__in=clinicians)
    return rows.values_list("insertion__clinician", "insertion__procedure", "limit_on")


def _by(rows: Iterable[Row], key: str | Callable[[Row], int]) -> dict[int, list[Row]]:
    of = key if callable(key) else lambda row: getattr(row, key)
    found: dict[int, list[Row]] = defaultdict(list)
    for row in rows:
        found[of(row)].append(row)
    for group in found.values():
        group.sort(key=lambda row: row.pk)  # type: ignore[attr-defined]
    return found


def _pairs(rows: Iterable[tuple[int, int, date]]) -> dict[int, list[tuple[int, date]]]:
    found: dict[int, list[tuple[int, date]]] = defaultdict(list)
    for clinician, procedure, day in rows:
        found[clinician].append((procedure, day))
    return found
