"""Shift tallies: a holder notes for a day how many insertions they made, where no more than that is asked.

A tally counts the insertions that were not logged one by one, so that both together are all of that day, and nothing
is counted twice. It is volume alone: never credit, a rate, drift or a run of failures. A trainee logs every insertion.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from audits import localtime
from audits.fortnights import Fortnight, fortnight_on, next_fortnight
from audits.limits import Limits
from audits.models import Award, Insertion, Procedure, Restriction, ScopeByRole, Tally
from ledger.acts import recording
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Clinician, Placement, Unit, User
from people.problems import Problem, Problems
from people.settings import Book, book
from people.spans import lock
from people.tree import Tree, tree

NOTED = "tally.noted"
MOST = 40  # in one day, by one clinician
EVERY, FORTNIGHT, TALLY = "every_insertion", "fortnight", "tally"
_LIMITS = (
    Restriction.Kind.SUSPENSION,
    Restriction.Kind.STAND_DOWN,
    Restriction.Kind.PLAN,
    Restriction.Kind.RETURN_PLAN,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class NewTally:
    """Insertions attempted and not logged one by one, of one clinician on one day; 0 says none, or takes back."""

    clinician: Clinician
    procedure: Procedure
    unit: Unit
    on: date
    insertions: int


@dataclass(frozen=True, slots=True)
class Asked:
    """How completely a holder logs on one day: the basis that binds, and the fortnight where it lies in one."""

    basis: str
    fortnight: Fortnight | None = None

    @property
    def may_tally(self) -> bool:
        return self.basis != EVERY and self.fortnight is None


@dataclass(frozen=True, eq=False)
class Holder:
    """What decides whether somebody may tally: homes, awards, scopes and limits, the tree and the settings."""

    clinician: Clinician
    tree: Tree
    book: Book
    homes: Sequence[Placement]
    awards: Sequence[Award]
    scopes: Sequence[ScopeByRole]
    limits: Sequence[Restriction]

    @cached_property
    def procedures(self) -> list[Procedure]:
        """Those ever held, by name. One query, or none for who never held any."""
        held = {each.procedure_id for each in self.awards} | {each.procedure_id for each in self.scopes}
        return list(Procedure.objects.filter(pk__in=held).order_by("name", "pk")) if held else []

    def home(self, on: date) -> int | None:
        """The home unit of that day, else the last before it, else the first to come."""
        before = [each for each in self.homes if each.from_day <= on]
        found = before[-1] if before else self.homes[0] if self.homes else None
        return found.unit_id if found is not None and found.unit_id in self.tree else None

    def days(self, name: str, procedure: Procedure, unit: int, on: date) -> int:
        """A setting in days: that of the home unit, else of the unit where it was."""
        home = self.home(on)
        value: int = self.book.value(name, self.tree.above(unit if home is None else home), procedure.code, on=on)
        return value

    def asked(self, procedure: Procedure, unit: int, on: date) -> Asked:
        """What is asked at this unit that day: the more complete of what the home unit asks and what this one asks."""
        home = self.home(on)
        parts = [self._asked(procedure, each, on) for each in {unit, unit if home is None else home}]
        return min(parts, key=lambda part: (part.may_tally, part.basis != EVERY, part.basis))

    def _asked(self, procedure: Procedure, unit: int, on: date) -> Asked:
        above = self.tree.above(unit)
        basis = self.book.value("logging_basis", above, procedure.code, on=on)
        if basis != FORTNIGHT:
            return Asked(basis)
        return Asked(basis, fortnight_on(on, begins=self.begins(procedure, unit, on)))

    def begins(self, procedure: Procedure, unit: int, on: date) -> int:
        value: int = self.book.value("fortnight_begins", self.tree.above(unit), procedure.code, on=on)
        return value

    def holds(self, procedure: Procedure, unit: int, on: date) -> bool:
        """Whether an award is in force, or a scope by role, that covers this unit that day."""
        above = self.tree.above(unit)
        awarded = any(
            each.procedure_id == procedure.pk
            and each.scope_unit_id in above
            and each.holds_on(on)
            and on < each.expires_on
            for each in self.awards
        )
        by_role = any(
            each.procedure_id == procedure.pk and each.unit_id in above and each.holds_on(on) for each in self.scopes
        )
        return awarded or by_role

    def is_limited(self, procedure: Procedure, on: date) -> bool:
        """Whether a suspension, stand-down or plan was open that day."""
        return any(each.holds_on(on) for each in self.limits if each.procedure_id in (None, procedure.pk))

    def problem(self, procedure: Procedure, unit: int, on: date) -> Problem | None:
        """Why no tally may be noted for this day, None if one may."""
        today = clock.today(self.tree.zone(unit))
        if on > today:
            return Problem("on", "This day lies in the future.")
        back = self.days("tally_within_days", procedure, unit, today)
        if on < today - timedelta(days=back):
            text = f"A tally may be noted for {back} days back. Log each insertion of an earlier day as an entry."
            return Problem("on", text)
        if not self.holds(procedure, unit, on):
            text = f"No award for {procedure.name} was in force here on {in_words(on)}: log each insertion as an entry."
            return Problem("on", text)
        if self.is_limited(procedure, on):
            return Problem("on", f"A plan or limit held on {in_words(on)}: log each insertion as an entry.")
        asked = self.asked(procedure, unit, on)
        if asked.fortnight is not None:
            text = (
                f"The logging fortnight runs through {in_words(asked.fortnight.last)}: log each insertion as an entry."
            )
            return Problem("on", text)
        if asked.basis == EVERY:
            return Problem("unit", "Every insertion is logged here, or at your home unit: log each as an entry.")
        return None


def holder(clinician: Clinician, *, now: Tree | None = None) -> Holder:
    """Six queries, or five with the tree at hand."""
    scopes = ScopeByRole.objects.known().filter(Q(clinician=clinician) | Q(profession=clinician.profession))
    return Holder(
        clinician=clinician,
        tree=tree() if now is None else now,
        book=book(),
        homes=list(Placement.objects.known().filter(clinician=clinician, home=True).order_by("from_day", "pk")),
        awards=list(Award.objects.known().filter(clinician=clinician)),
        scopes=list(scopes),
        limits=list(Restriction.objects.known().filter(clinician=clinician, kind__in=_LIMITS)),
    )


def note_tally(*, actor: User, new: NewTally) -> Tally:
    """Note a tally, or change the one of that day and unit. Saying the same again changes nothing.

    For oneself, or on behalf of somebody as an educator of the unit. Raises NotPermitted, Problems.
    """
    access = access_of(actor)
    require_may_note(access, new.clinician, new.unit.pk)
    with transaction.atomic():
        lock(new.clinician)
        if found := problems_of(new):
            raise Problems(found)
        before = _standing(new)
        if before is not None and before.insertions == new.insertions:
            return before
        with recording(actor=actor, kind=NOTED, subject=new.clinician.uuid) as rec:
            made = Tally(
                clinician=new.clinician,
                procedure=new.procedure,
                unit=new.unit,
                on=new.on,
                insertions=new.insertions,
                known_from_id=rec.seq,
            )
            if before is not None:
                made.uuid = before.uuid
                Tally.objects.filter(pk=before.pk).update(known_until_id=rec.seq)
            made.save(force_insert=True)
            rec.content |= facts_of(made) | {
                "old": None if before is None else before.insertions,
                "on_behalf": not access.is_self(new.clinician),
            }
            stale.touch([new.clinician], cause=rec.kind, act=rec.seq, procedure=new.procedure.pk)
            return made


def require_may_note(access: Access, clinician: Clinician, unit: int) -> None:
    """Raises NotPermitted for somebody else's tally without the right to log on their behalf at this unit."""
    if not access.is_self(clinician) and not access.may(Right.LOG_ON_BEHALF, unit):
        raise NotPermitted(f"{access.user.pk} may not note a tally of clinician {clinician.pk} on unit {unit}")


def problems_of(new: NewTally) -> list[Problem]:
    """What is wrong with it, beside its field."""
    found = []
    if not 0 <= new.insertions <= MOST:
        found.append(Problem("insertions", f"Give a whole number from 0 to {MOST}."))
    facts = holder(new.clinician)
    if new.unit.pk not in facts.tree:
        return [*found, Problem("unit", "This unit was closed.")]
    if wrong := facts.problem(new.procedure, new.unit.pk, new.on):
        found.append(wrong)
    return found


def facts_of(row: Tally) -> dict[str, Any]:
    """What a tally says, as its act keeps it."""
    return {
        "insertions": row.insertions,
        "on": row.on.isoformat(),
        "procedure": row.procedure.code,
        "tally": str(row.uuid),
        "unit": str(row.unit.uuid),
    }


def _standing(new: NewTally) -> Tally | None:
    rows = Tally.objects.known().filter(clinician=new.clinician, procedure=new.procedure, unit=new.unit, on=new.on)
    return rows.select_related("unit", "procedure").first()


# --- for pages ---


@dataclass(frozen=True, slots=True)
class OneDay:
    """A day of somebody at one unit: what the tally says (None: nothing yet), what is logged one by one, and both."""

    tallied: int | None
    entries: int

    @property
    def together(self) -> int:
        return (self.tallied or 0) + self.entries


def one_day(clinician: Clinician, procedure: Procedure, unit: int, on: date) -> OneDay:
    """Two queries."""
    at = {"procedure": procedure, "unit": unit}
    rows = Tally.objects.known().filter(clinician=clinician, on=on, **at)
    entries = _entries(clinician).filter(performed_on=on, **at)
    return OneDay(rows.values_list("insertions", flat=True).first(), entries.count())


@dataclass(frozen=True, slots=True)
class Offered:
    """What a holder is asked today for one procedure at one unit: a tally, or every insertion in a fortnight."""

    procedure: Procedure
    unit: int
    asked: Asked
    next: Fortnight | None = None

    @property
    def fortnight_words(self) -> str:
        """'Logging fortnight through 14 January 2026: log every insertion.'; '' outside one."""
        if self.asked.fortnight is None:
            return ""
        return f"Logging fortnight through {in_words(self.asked.fortnight.last)}: log every insertion."

    @property
    def next_words(self) -> str:
        if self.next is None:
            return ""
        return f"The next logging fortnight: {in_words(self.next.first)} through {in_words(self.next.last)}."


def offered(facts: Holder, units: Iterable[int]) -> list[Offered]:
    """What this holder is asked today at these units, by procedure; where every insertion is logged, nothing."""
    found = []
    procedures = facts.procedures
    for unit in dict.fromkeys(each for each in units if each in facts.tree):
        today = clock.today(facts.tree.zone(unit))
        for procedure in procedures:
            asked = facts.asked(procedure, unit, today)
            if asked.basis == EVERY or not facts.holds(procedure, unit, today) or facts.is_limited(procedure, today):
                continue
            begins = facts.begins(procedure, unit, today)
            ahead = next_fortnight(today, begins=begins) if asked.basis == FORTNIGHT else None
            found.append(Offered(procedure, unit, asked, ahead))
    return found


def is_late(row: Tally, limit: Limits) -> bool:
    """Whether it was noted later after its day than goes without a mark; read with its act."""
    if row.unit_id not in limit.tree:
        return False
    days = limit.days_at(
        "late_after_days", clinician=row.clinician_id, unit=row.unit_id, code=row.procedure.code, on=row.on
    )
    return (noted_on(row, limit.tree) - row.on).days > days


def noted_on(row: Tally, places: Tree) -> date:
    """The day on which this version was noted, where it was made; read with its act."""
    zone = places.zone(row.unit_id) if row.unit_id in places else "UTC"
    return localtime.local(row.known_from.recorded_at, zone).date()


def recent(clinician: Clinician, *, since: date) -> list[tuple[date, Procedure, int, OneDay]]:
    """The days from one on with a tally or an entry: day, procedure, unit, and what there is; the latest first.

    Three queries.
    """
    tallied = {
        (day, procedure, unit): insertions
        for day, procedure, unit, insertions in Tally.objects.known()
        .filter(clinician=clinician, on__gte=since)
        .values_list("on", "procedure", "unit", "insertions")
    }
    entries = Counter(
        _entries(clinician).filter(performed_on__gte=since).values_list("performed_on", "procedure", "unit")
    )
    names = Procedure.objects.in_bulk({procedure for _, procedure, _ in (*tallied, *entries)})
    return [
        (day, names[procedure], unit, OneDay(tallied.get((day, procedure, unit)), entries[day, procedure, unit]))
        for day, procedure, unit in sorted({*tallied, *entries}, reverse=True)
    ]


def _entries(clinician: Clinician) -> QuerySet[Insertion]:
    """Insertions on patients, attempted and logged one by one."""
    return Insertion.objects.known().filter(
        clinician=clinician, withdrawn=False, setting=Insertion.Setting.PATIENT, punctures__gt=0
    )
