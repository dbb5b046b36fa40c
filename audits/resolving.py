"""What an entry names, found in the register: people, unit, procedure, moment, occasion. Read once for all entries.

Who may log where: an insertion belongs to the unit where it was done. On a form that is any unit of a hospital in which
the clinician is placed or appointed on that day, since people help out next door; an emergency may be anywhere. A sheet
is vouched for by who signs it, so its units are not compared with placements.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple
from uuid import UUID

from django.db import models

from audits.entry import Entry
from audits.localtime import NoSuchTime, TwiceThatDay, moment, start_of
from audits.models import Insertion, Procedure
from people import clock
from people.clock import in_words
from people.models import Appointment, Clinician, Placement, User
from people.problems import Problem
from people.settings import book
from people.tree import tree

Source = Insertion.Source
SAME_OCCASION = timedelta(hours=24)
_MANY = 500  # more identifiers than this are looked up by reading the whole table once
_CHUNK = 5000


@dataclass(frozen=True, slots=True)
class Claim:
    """What was signed about a sheet: complete for these units (all below them named too) on these days, both included.

    Without days the sheet is partial. `opens` are the units at which signing sets the start day to the first of these
    days, wherever none was ever set.
    """

    units: frozenset[int] = frozenset()
    first: date | None = None
    last: date | None = None
    opens: frozenset[int] = frozenset()

    def covers(self, unit: int, day: date) -> bool:
        return (
            self.first is not None and self.last is not None and unit in self.units and self.first <= day <= self.last
        )


@dataclass(frozen=True, slots=True)
class Context:
    """Where entries come from, and for a sheet what was signed about it.

    `settled` is for rows of a sheet that were judged before: source and whether partial, as they were.
    """

    source: str = Source.FORM
    claim: Claim = field(default_factory=Claim)
    settled: tuple[str, bool] | None = None

    @property
    def is_sheet(self) -> bool:
        return self.source == Source.SHEET


@dataclass(frozen=True, slots=True, kw_only=True)
class Ready:
    """An entry that can be stored, with the keys of what it names and its moment."""

    entry: Entry
    clinician: int
    clinician_user: int | None
    unit: int
    procedure: int
    procedure_code: str
    supervisor: int | None
    performed_at: datetime
    performed_on: date
    zone: str
    source: str
    partial: bool
    occasion: str
    others_before: int


class _Part(NamedTuple):
    """Somebody's part in an occasion."""

    uuid: UUID
    clinician: int
    performed_at: datetime
    punctures: int


@dataclass(frozen=True, slots=True)
class Known:
    """What is stored under a UUID: the key of the latest version, and the content of every one."""

    now: int
    contents: list[str]


class Lookups:
    """Everything that entries name, read once for all of them."""

    def __init__(self, entries: Sequence[Entry], context: Context) -> None:
        self.context = context
        self.now = clock.now()
        self.tree = tree()
        self.units = {node.uuid: node.id for node in self.tree.nodes.values()}
        self.procedures = {
            (band, technique): (pk, code)
            for pk, code, band, technique in Procedure.objects.values_list("pk", "code", "band", "technique")
        }
        named = {entry.clinician for entry in entries}
        self.clinicians = {
            uuid: (pk, user) for uuid, pk, user in _by_uuid(Clinician.objects.all(), named, "uuid", "pk", "user_id")
        }
        named = {entry.supervisor for entry in entries if entry.supervisor is not None}
        self.users = dict(_by_uuid(User.objects.all(), named, "uuid", "pk")) if named else {}
        self.stored = self._read_stored([entry.uuid for entry in entries])
        self.joined = self._read_joined({code_of(entry.occasion) for entry in entries if entry.occasion})
        self.at = {} if context.is_sheet else self._read_at()
        self._starts: dict[tuple[int, str], date | None] = {}
        self._book = book() if context.is_sheet else None

    def _read_stored(self, uuids: list[UUID]) -> dict[UUID, Known]:
        found: dict[UUID, Known] = {}
        versions = Insertion.objects.order_by("uuid", "-version")
        for uuid, pk, content in in_chunks(versions, "uuid", uuids, "uuid", "pk", "content"):
            found.setdefault(uuid, Known(pk, [])).contents.append(content)
        return found

    def _read_joined(self, codes: set[str]) -> dict[str, list[_Part]]:
        found: dict[str, list[_Part]] = defaultdict(list)
        here = Insertion.objects.known().filter(withdrawn=False)
        columns = ("occasion", "uuid", "clinician", "performed_at", "punctures")
        for code, *rest in in_chunks(here, "occasion", sorted(codes), *columns):
            found[code].append(_Part(*rest))
        return found

    def _read_at(self) -> dict[int, list[tuple[int, date, date | None]]]:
        """Clinician -> units, from, until of every placement and appointment."""
        found: dict[int, list[tuple[int, date, date | None]]] = defaultdict(list)
        keys = [pk for pk, _ in self.clinicians.values()]
        accounts = {user: pk for pk, user in self.clinicians.values() if user is not None}
        span = ("unit", "from_day", "until_day")
        for pk, *rest in Placement.objects.known().filter(clinician__in=keys).values_list("clinician", *span):
            found[pk].append(tuple(rest))
        for user, *rest in Appointment.objects.known().filter(user__in=accounts).values_list("user", *span):
            found[accounts[user]].append(tuple(rest))
        return found

    def resolve(self, entry: Entry, wrong: list[Problem]) -> Ready | None:
        """The entry with its keys and moment; or None, with what is wrong added to the list."""
        clinician, user = self.clinicians.get(entry.clinician, (0, None))
        unit = self.units.get(entry.unit)
        procedure, code = self.procedures.get(entry.procedure, (0, ""))
        supervisor = None if entry.supervisor is None else self.users.get(entry.supervisor, 0)
        if not clinician:
            wrong.append(Problem("clinician", "Nobody in the register has this identifier."))
        if not procedure:
            wrong.append(Problem("band", "This service has not opened this procedure: ask an educator to open it."))
        if supervisor == 0:
            wrong.append(Problem("supervisor", "Choose the supervisor from the list."))
        elif supervisor is not None and supervisor == user:
            wrong.append(Problem("supervisor", "Nobody supervises themselves: name who was there, or nobody."))
        if unit is None:
            wrong.append(Problem("unit", "Choose the unit from the list."))
            return None
        at = self._moment(entry, self.tree.zone(unit), wrong)
        if wrong or at is None:
            return None
        day = entry.performed.date()
        source, partial = self._kind(unit, code, day, wrong)
        if not self.context.is_sheet and not entry.emergency and not self._works_there(clinician, unit, day):
            text = f"No placement in this hospital on {in_words(day)}: choose another unit, or have it entered first."
            wrong.append(Problem("unit", text))
        others = self._others(entry, clinician, at, wrong)
        if wrong:
            return None
        return Ready(
            entry=entry,
            clinician=clinician,
            clinician_user=user,
            unit=unit,
            procedure=procedure,
            procedure_code=code,
            supervisor=supervisor,
            performed_at=at,
            performed_on=day,
            zone=self.tree.zone(unit),
            source=source,
            partial=partial,
            occasion=code_of(entry.occasion),
            others_before=others,
        )

    def _moment(self, entry: Entry, zone: str, wrong: list[Problem]) -> datetime | None:
        try:
            if entry.time_known:
                at = moment(entry.performed, zone, fold=entry.fold)
            else:
                at = start_of(entry.performed.date(), zone)
        except NoSuchTime:
            wrong.append(Problem("performed", "The clocks went forward over this time: it never was. Check it."))
            return None
        except TwiceThatDay:
            text = "The clocks went back, and this time came twice: say whether the first or the second is meant."
            wrong.append(Problem("fold", text))
            return None
        if at > self.now:
            wrong.append(Problem("performed", "This lies in the future: check day and time."))
            return None
        return at

    def _kind(self, unit: int, code: str, day: date, wrong: list[Problem]) -> tuple[str, bool]:
        """Source and whether partial: 1-product's table of a sheet's rows before and after the start day."""
        if self.context.settled is not None:
            return self.context.settled
        if not self.context.is_sheet:
            return self.context.source, False
        complete = self.context.claim.covers(unit, day)
        start = self._start(unit, code)
        if start is not None and start <= day:
            return Source.SHEET, not complete
        if complete:
            said = f"is {in_words(start)}, after this row" if start is not None else "was never set"
            text = f"The start day of this unit {said}: move the start day first, or import the sheet as partial."
            wrong.append(Problem("performed", text))
        return Source.PAPER, False

    def _start(self, unit: int, code: str) -> date | None:
        if (unit, code) not in self._starts:
            today = clock.today(self.tree.zone(unit))
            value = self._book.value("start_day", self.tree.above(unit), code, on=today) if self._book else None
            first = self.context.claim.first if unit in self.context.claim.opens else None
            self._starts[unit, code] = first if value is None else date.fromisoformat(value)
        return self._starts[unit, code]

    def _works_there(self, clinician: int, unit: int, day: date) -> bool:
        hospital = self.tree.hospital(unit)
        for each, starts, until in self.at.get(clinician, ()):
            if starts <= day and (until is None or day < until) and each in self.tree:
                theirs = self.tree.hospital(each)
                if theirs is None or theirs == hospital:
                    return True
        return False

    def _others(self, entry: Entry, clinician: int, at: datetime, wrong: list[Problem]) -> int:
        """Punctures by others before: what the joined occasion says, or more if the sender knows of more."""
        if not entry.occasion:
            return entry.others_before
        parts = [each for each in self.joined.get(code_of(entry.occasion), ()) if each.uuid != entry.uuid]
        if not parts:
            wrong.append(Problem("occasion", "No occasion has this code: check it, or leave it out."))
            return 0
        if any(each.clinician == clinician for each in parts):
            wrong.append(Problem("occasion", "There is an entry of yours in this occasion: correct that one."))
        if abs(at - min(each.performed_at for each in parts)) > SAME_OCCASION:
            wrong.append(Problem("occasion", "That occasion lies more than a day apart from this insertion."))
        return max(entry.others_before, sum(each.punctures for each in parts if each.performed_at <= at))


def code_of(typed: str) -> str:
    """The code of an occasion as it is stored, from how people type it."""
    return "".join(typed.split()).replace("-", "").upper()


def _by_uuid(rows: models.QuerySet[Any], named: Collection[UUID], *columns: str) -> Iterable[tuple[Any, ...]]:
    wanted = rows if len(named) > _MANY else rows.filter(uuid__in=named)
    return wanted.values_list(*columns)


def in_chunks(
    rows: models.QuerySet[Any], column: str, named: Sequence[Any], *columns: str
) -> Iterator[tuple[Any, ...]]:
    for start in range(0, len(named), _CHUNK):
        yield from rows.filter(**{f"{column}__in": named[start : start + _CHUNK]}).values_list(*columns)
