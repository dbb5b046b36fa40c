"""Who held what, where and when, and who may supervise there: a question to dated facts alone, never to a standing.

`holdings(...)` reads the facts of some or all people in a fixed number of queries; everything asked of it afterwards
costs none. Held means: an award in force (past its provisional time, not in grace) or a scope by role, at a unit that
covers the one asked about, with no suspension, withdrawal, stand-down, open plan or return step on that day.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Any, NamedTuple

from django.db.models import QuerySet

from audits.models import Award, Completion, Restriction, ScopeByRole
from people.clock import in_words
from people.models import Absence, Appointment, Placement, User
from people.staffing import professions_then
from people.tree import Tree, tree

SUPERVISING = (Appointment.Role.SUPERVISOR, Appointment.Role.ASSESSOR, Appointment.Role.EDUCATOR)
_RESTRICTED = {
    Restriction.Kind.SUSPENSION: "Suspended on that day.",
    Restriction.Kind.WITHDRAWAL: "The award had been withdrawn.",
    Restriction.Kind.STAND_DOWN: "Stood down on that day.",
    Restriction.Kind.PLAN: "A re-supervision plan was open on that day.",
    Restriction.Kind.RETURN_PLAN: "A return plan was open on that day.",
}


@dataclass(frozen=True, slots=True)
class Held:
    """Held, and on what it rests: keys of the award or the scope, and of the appointment if supervising was asked."""

    award: int | None = None
    scope: int | None = None
    appointment: int | None = None
    role: str = ""

    def __bool__(self) -> bool:
        return True


@dataclass(frozen=True, slots=True)
class Refusal:
    """Not held, or may not supervise: a code and a sentence that needs nothing around it.

    Codes: not_appointed, student, a kind of restriction, return_step, not_held, provisional, too_soon, expired.
    """

    reason: str
    text: str

    def __bool__(self) -> bool:
        return False


class Span(NamedTuple):
    """A dated fact of one person: its key, from, until (None: further notice), its unit, and what else it says."""

    id: int
    starts: date
    until: date | None
    unit: int = 0
    kind: str = ""

    def covers(self, day: date) -> bool:
        return self.starts <= day and (self.until is None or day < self.until)


class _Award(NamedTuple):
    id: int
    starts: date
    until: date | None
    unit: int
    expires: date
    anchor: date
    provisional_until: date | None
    supervises_from: date | None
    long_absence: int | None


@dataclass(frozen=True, slots=True)
class Person:
    """Who an account is: the clinician's key (None if there is none) and profession."""

    user: int
    name: str
    clinician: int | None
    profession: str


@dataclass(frozen=True)
class Holdings:
    """The dated facts of some people as known at one moment. Who was not asked for has no facts here."""

    tree: Tree
    people: Mapping[int, Person]
    appointments: Mapping[int, tuple[Span, ...]]
    placements: Mapping[int, tuple[Span, ...]]
    awards: Mapping[tuple[int, int], tuple[_Award, ...]]
    restrictions: Mapping[int, tuple[tuple[int | None, Span], ...]]
    scopes: Mapping[tuple[int | str, int], tuple[Span, ...]]
    absences: Mapping[int, tuple[tuple[date, date], ...]]
    returns: Mapping[tuple[int, int], tuple[date, ...]]

    @cached_property
    def _above(self) -> dict[int, tuple[int, ...]]:
        return {}

    @cached_property
    def _answers(self) -> dict[tuple[int, int, int, date], Held | Refusal]:
        return {}

    def above(self, unit: int) -> tuple[int, ...]:
        """The unit first, the root last; empty for a unit that was not known then."""
        if unit not in self._above:
            self._above[unit] = self.tree.above(unit) if unit in self.tree else ()
        return self._above[unit]

    def may_supervise(self, user: int, *, unit: int, procedure: int, on: date) -> Held | Refusal:
        """Whether this account could supervise this procedure on this unit that day, and on what it rests."""
        asked = (user, unit, procedure, on)
        if asked not in self._answers:
            self._answers[asked] = self._may_supervise(*asked)
        return self._answers[asked]

    def may_assess(self, user: int, *, unit: int, procedure: int, on: date) -> Held | Refusal:
        """Whether this account could observe for a decision there that day: an assessor who holds the procedure."""
        roles = [each for each in self._roles(user, unit, on) if each.kind == Appointment.Role.ASSESSOR]
        if not roles:
            return Refusal("not_appointed", f"No appointment as assessor here on {in_words(on)}.")
        return self._as(user, roles, unit, procedure, on)

    def may_teach(self, user: int, *, unit: int, on: date) -> Held | Refusal:
        """Whether this account could observe for learning there that day: any appointment to supervise."""
        roles = self._roles(user, unit, on)
        if not roles:
            return Refusal("not_appointed", f"No appointment as supervisor, assessor or educator on {in_words(on)}.")
        if self._is_student(self.people[user], self.above(unit), on):
            return Refusal("student", "A student never observes others.")
        role = min(roles, key=lambda each: (SUPERVISING.index(Appointment.Role(each.kind)), each.id))
        return Held(appointment=role.id, role=role.kind)

    def _roles(self, user: int, unit: int, on: date) -> list[Span]:
        above = self.above(unit)
        return [each for each in self.appointments.get(user, ()) if each.unit in above and each.covers(on)]

    def _may_supervise(self, user: int, unit: int, procedure: int, on: date) -> Held | Refusal:
        roles = self._roles(user, unit, on)
        if not roles:
            return Refusal("not_appointed", f"No appointment as supervisor here on {in_words(on)}.")
        return self._as(user, roles, unit, procedure, on)

    def _as(self, user: int, roles: list[Span], unit: int, procedure: int, on: date) -> Held | Refusal:
        """In one of these roles, by what is held there."""
        person = self.people[user]
        if self._is_student(person, self.above(unit), on):
            return Refusal("student", "A student never supervises.")
        held = self._held(person, unit, procedure, on)
        if isinstance(held, Refusal):
            return held
        role = min(roles, key=lambda each: (SUPERVISING.index(Appointment.Role(each.kind)), each.id))
        return replace(held, appointment=role.id, role=role.kind)

    def held(self, user: int, *, unit: int, procedure: int, on: date) -> Held | Refusal:
        """Whether this account's holder held the procedure on this unit that day."""
        return self._held(self.people[user], unit, procedure, on)

    def _held(self, person: Person, unit: int, procedure: int, on: date) -> Held | Refusal:
        above = self.above(unit)
        found: list[Held | Refusal] = []
        if person.clinician is not None:
            for award in self.awards.get((person.clinician, procedure), ()):
                if award.unit in above and award.starts <= on and (award.until is None or on < award.until):
                    found.append(self._by_award(person.clinician, procedure, award, on))
        for scope in self._scopes_of(person, procedure, above, on):
            stopped = self._stopped(person, procedure, scope.starts, on)
            found.append(Held(scope=scope.id) if stopped is None else stopped)
        yes = next((each for each in found if each), None)
        if yes is not None:
            return yes
        if found:
            return found[-1]
        return Refusal("not_held", f"Did not hold this procedure here on {in_words(on)}.")

    def _by_award(self, clinician: int, procedure: int, award: _Award, on: date) -> Held | Refusal:
        if award.expires <= on:
            return Refusal("expired", f"The award ran through {in_words(award.expires - timedelta(days=1))}.")
        if award.provisional_until is not None and on < award.provisional_until:
            last = in_words(award.provisional_until - timedelta(days=1))
            return Refusal("provisional", f"The award is provisional through {last}.")
        if award.supervises_from is not None and on < award.supervises_from:
            return Refusal("too_soon", f"May supervise from {in_words(award.supervises_from)}.")
        if self._owes_return_step(clinician, procedure, award, on):
            return Refusal("return_step", "A return step after a long absence was not done yet.")
        stopped = self._stopped_clinician(clinician, procedure, award.starts, on)
        return Held(award=award.id) if stopped is None else stopped

    def _stopped(self, person: Person, procedure: int, since: date, on: date) -> Refusal | None:
        if person.clinician is None:
            return None
        return self._stopped_clinician(person.clinician, procedure, since, on)

    def _stopped_clinician(self, clinician: int, procedure: int, since: date, on: date) -> Refusal | None:
        for about, each in self.restrictions.get(clinician, ()):
            if about in (None, procedure) and each.covers(on):
                # A withdrawal ends with what was given after it.
                if each.kind == Restriction.Kind.WITHDRAWAL and since > each.starts:
                    continue
                return Refusal(each.kind, _RESTRICTED[Restriction.Kind(each.kind)])
        return None

    def _owes_return_step(self, clinician: int, procedure: int, award: _Award, on: date) -> bool:
        if award.long_absence is None:
            return False
        done = self.returns.get((clinician, procedure), ())
        return any(
            (back - away).days >= award.long_absence
            and award.anchor < back <= on
            and not any(back <= day <= on for day in done)
            for away, back in self.absences.get(clinician, ())
        )

    def _scopes_of(self, person: Person, procedure: int, above: tuple[int, ...], on: date) -> Iterable[Span]:
        if person.clinician is not None:
            for scope in self.scopes.get((person.clinician, procedure), ()):
                if scope.unit in above and scope.covers(on):
                    yield scope
        for scope in self.scopes.get((person.profession, procedure), ()):
            if scope.unit in above and scope.covers(on) and self._works_at(person, scope.unit, on):
                yield scope

    def _works_at(self, person: Person, unit: int, on: date) -> bool:
        """Whether a placement or appointment of that day lies on the unit, below it, or covers it."""
        at = [*self.appointments.get(person.user, ())]
        if person.clinician is not None:
            at += self.placements.get(person.clinician, ())
        covering = self.above(unit)
        return any(each.covers(on) and (each.unit in covering or unit in self.above(each.unit)) for each in at)

    def _is_student(self, person: Person, above: tuple[int, ...], on: date) -> bool:
        """Placed as a student here; or, placed nowhere here, placed as a student and nothing else."""
        if person.clinician is None:
            return False
        today = [each for each in self.placements.get(person.clinician, ()) if each.covers(on)]
        here = [each for each in today if each.unit in above]
        kinds = {each.kind for each in here or today}
        student = str(Placement.Kind.STUDENT)
        return student in kinds if here else kinds == {student}


def holdings(users: Collection[int] | None = None, *, known: int | None = None) -> Holdings:
    """The facts of these accounts, or of all who ever were appointed to supervise. Ten queries, however many they are.

    `known` is the number of an act: the facts as they were known once it had been recorded.
    """
    appointed = Appointment.objects.known(known).filter(role__in=SUPERVISING)
    accounts = User.objects.all()
    if users is None:
        accounts = accounts.filter(pk__in=appointed.values("user"))
    else:
        appointed = appointed.filter(user__in=users)
        accounts = accounts.filter(pk__in=users)
    then = professions_then(known)
    people = {
        user: Person(user, name, clinician, then.get(uuid, placed_as) if clinician is not None else profession)
        for user, name, profession, clinician, uuid, placed_as in accounts.values_list(
            "pk", "name", "profession", "clinician__pk", "clinician__uuid", "clinician__profession"
        )
    }
    of = accounts.exclude(clinician=None).values("clinician")

    def about(rows: QuerySet[Any]) -> QuerySet[Any]:
        return rows.filter(clinician__in=of)

    span = ("pk", "from_day", "until_day", "unit")
    return Holdings(
        tree=tree(known),
        people=people,
        appointments=_grouped(
            (user, Span(*rest)) for user, *rest in appointed.order_by("pk").values_list("user", *span, "role")
        ),
        placements=_grouped(
            (clinician, Span(*rest))
            for clinician, *rest in about(Placement.objects.known(known)).values_list("clinician", *span, "kind")
        ),
        awards=_grouped(
            ((clinician, procedure), _Award(*rest))
            for clinician, procedure, *rest in about(Award.objects.known(known))
            .order_by("from_day", "pk")
            .values_list(
                "clinician", "procedure", "pk", "from_day", "until_day", "scope_unit", "expires_on", "anchor",
                "provisional_until", "supervises_from", "long_absence_days",
            )
        ),
        restrictions=_grouped(
            (clinician, (procedure, Span(pk, starts, until, kind=kind)))
            for clinician, procedure, pk, starts, until, kind in about(Restriction.objects.known(known))
            .order_by("from_day", "pk")
            .values_list("clinician", "procedure", "pk", "from_day", "until_day", "kind")
        ),
        scopes=_grouped(
            ((clinician if clinician is not None else profession, procedure), Span(*rest))
            for clinician, profession, procedure, *rest in ScopeByRole.objects.known(known)
            .order_by("from_day", "pk")
            .values_list("clinician", "profession", "procedure", *span)
        ),
        absences=_grouped(
            (clinician, (away, back))
            for clinician, away, back in about(Absence.objects.known(known))
            .exclude(until_day=None)
            .values_list("clinician", "from_day", "until_day")
        ),
        returns=_grouped(
            ((clinician, procedure), day)
            for clinician, procedure, day in about(Completion.objects.known(known))
            .filter(kind=Completion.Kind.RETURN, passed=True)
            .values_list("clinician", "procedure", "on")
        ),
    )  # fmt: skip


def may_supervise(user: User, *, unit: int, procedure: int, on: date, known: int | None = None) -> Held | Refusal:
    """Whether this account could supervise this procedure on this unit that day. For many, ask `holdings` once."""
    return holdings([user.pk], known=known).may_supervise(user.pk, unit=unit, procedure=procedure, on=on)


@dataclass(frozen=True)
class SupervisorLine:
    """Somebody appointed to supervise on a unit, and for each procedure whether they may."""

    user: int
    name: str
    answers: Mapping[int, Held | Refusal]


def supervisors_of(
    unit: int, procedures: Collection[int], on: date, *, known: int | None = None
) -> list[SupervisorLine]:
    """Everybody appointed to supervise on this unit that day, by name, each with an answer for each procedure."""
    now = tree(known)
    covering = now.above(unit) if unit in now else ()
    appointed = Appointment.objects.known(known).on(on).filter(role__in=SUPERVISING, unit__in=covering)
    facts = holdings(sorted(set(appointed.values_list("user", flat=True))), known=known)
    lines = [
        SupervisorLine(
            user,
            person.name,
            {each: facts.may_supervise(user, unit=unit, procedure=each, on=on) for each in procedures},
        )
        for user, person in facts.people.items()
    ]
    return sorted(lines, key=lambda line: (line.name.casefold(), line.user))


def _grouped(pairs: Iterable[tuple[Any, Any]]) -> dict[Any, tuple[Any, ...]]:
    groups: dict[Any, list[Any]] = defaultdict(list)
    for key, value in pairs:
        groups[key].append(value)
    return {key: tuple(values) for key, values in groups.items()}
