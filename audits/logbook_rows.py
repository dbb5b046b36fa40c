"""From the cells of a logbook sheet to what its rows say: one occasion for each row, or for rows that belong together.

A problem names the field whose cell is to be mended; a warning says what was left out or taken for granted.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from typing import Any
from uuid import UUID

from audits.directory import People, Person, Places, may_be
from audits.entry import AttemptMade, Difficulty, Entry
from audits.freetext import text_problems
from audits.logbook_attempts import FIELDS as ATTEMPT_FIELDS
from audits.logbook_attempts import Told, attempts_told
from audits.logbook_fields import LONGEST, NOBODY, PARSERS
from audits.models import Procedure
from audits.vocabulary import GUIDED
from people.problems import Problem
from sheets.cells import Refused
from sheets.reading import Cell
from sheets.table import Row, Table

NO_UUID = UUID(int=0)
_TOGETHER_SECONDS = 6 * 3600
_REMEMBERED = 20_000


@dataclass(slots=True)
class Occasion:
    """What one row says, or several rows of one occasion; `rows` are their positions in the file.

    `entry` has no UUID yet; it is None where something must be mended.
    """

    rows: list[int]
    person: Person | None = None
    unit: int | None = None
    entry: Entry | None = None
    problems: list[Problem] = field(default_factory=list)
    last_attempt: int = 0


class _Column:
    """One column: what its cells mean, worked out once for each that differs, since columns repeat themselves."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._parser = PARSERS[name]
        self._known: dict[Any, tuple[Any, list[str], str]] = {}

    def read(self, cell: Cell) -> tuple[Any, list[str], str]:
        """The value, remarks, and the reason if the cell is refused."""
        # 1.0 and True are equal and mean different things.
        key = cell if type(cell) is str else (type(cell), cell)
        found = self._known.get(key)
        if found is None:
            found = self._parsed(cell)
            if len(self._known) < _REMEMBERED:
                self._known[key] = found
        return found

    def _parsed(self, cell: Cell) -> tuple[Any, list[str], str]:
        warnings: list[str] = []
        try:
            return self._parser(cell, warnings.append), warnings, ""
        except Refused as refused:
            return None, warnings, refused.reason


@dataclass(frozen=True, eq=False)
class Register:
    """Whom and what a sheet may name."""

    people: People
    places: Places
    procedures: tuple[Procedure, ...]

    def procedure(self, text: str) -> Procedure:
        """The procedure with this code or name. Raises Refused."""
        return procedure_called(text, self.procedures)


def procedure_called(text: str, procedures: Sequence[Procedure]) -> Procedure:
    """The one of these with this code or name, whatever its case and spaces. Raises Refused."""
    wanted = " ".join(text.split()).casefold()
    for each in procedures:
        if wanted in (each.code.casefold(), each.name.casefold()):
            return each
    raise Refused(f"No procedure has this code or name; there are: {codes_of(procedures)}.")


def codes_of(procedures: Sequence[Procedure]) -> str:
    return ", ".join(each.code for each in procedures) or "none yet"


class Reader:
    """Reads the rows of one table in order. `warn(position, field, text)` takes remarks that refuse nothing."""

    def __init__(self, table: Table, register: Register, warn: Callable[[int, str, str], None]) -> None:
        self.table = table
        self.register = register
        self._warn = warn
        self._columns = [_Column(name) for name in table.columns]
        self._attempt_fields = [name for name in table.columns if name in ATTEMPT_FIELDS]
        self._has = frozenset(table.columns)
        self.zeros_added: dict[str, str] = {}  # numbers that differ from the register's by zeros, as read
        self._told: set[tuple[str, str]] = set()
        self._attempts_told: dict[tuple[Any, ...], Told] = {}
        self._comments: dict[str, str] = {}
        self._supervisors: dict[str, Person | Refused] = {}
        self._units: dict[tuple[str, str], int | Refused] = {}
        self._open: dict[tuple[int, int, date], Occasion] = {}

    def occasion(self, position: int, row: Row) -> Occasion | None:
        """What this row says; None if it was joined to the occasion of an earlier row."""
        problems: list[Problem] = []
        said = self._read(position, row, problems)
        person = self._person(said, problems)
        unit = self._unit(said, problems)
        found = Occasion([position], person, unit, problems=problems)
        supervisor = self._supervisor(position, said, problems)
        attempts, not_attempted = self._attempts(position, said, problems)
        number: int = said.get("attempt_number") or 1
        if number > 1:
            return self._joined(found, attempts, said, number)
        band, technique = self._procedure(said, problems)
        if problems or person is None or person.uuid is None or person.clinician is None or unit is None:
            return found
        when: date = said["day"]
        at: time | None = said.get("time")
        nearness = said.get("nearness")
        found.entry = Entry(
            uuid=NO_UUID,
            clinician=person.uuid,
            unit=self.register.places.tree.nodes[unit].uuid,
            band=band,
            performed=datetime.combine(when, at or time()),
            time_known=at is not None,
            attempts=tuple(_by(each, technique) for each in attempts),
            not_attempted=not_attempted,
            technique=technique,
            events=said.get("events") or () if "events" in self._has else None,
            supervisor=supervisor.user_uuid if supervisor else None,
            nearness=nearness if supervisor and nearness else "",
            emergency=bool(said.get("emergency")),
            simulation=bool(said.get("simulation")),
            others_before=said.get("others_before") or 0,
            difficulty=Difficulty(scale="judged", score=1, scored="after") if said.get("difficult") else None,
            help_called=said.get("help_called") or "",
            comment=self._comment(position, said),
        )
        found.last_attempt = 1
        self._open[person.clinician, unit, when] = found
        return found

    def _read(self, position: int, row: Row, problems: list[Problem]) -> dict[str, Any]:
        """The values of the cells that say something, by field."""
        said: dict[str, Any] = {}
        values = row.values
        for column in self._columns:
            name = column.name
            cell = values[name]
            if cell is None or cell == "":
                continue
            value, warnings, refusal = column.read(cell)
            if refusal:
                problems.append(Problem(name, refusal))
                continue
            for text in warnings:
                self._warn(position, name, text)
            if value is not None and value != "":
                said[name] = value
        broken = {problem.field for problem in problems}
        if (both := said.pop("day", None)) is not None:
            said["day"], beside = both
            if beside is not None and "time" not in said and "time" not in broken:
                said["time"] = beside
        elif "day" not in broken:
            problems.append(Problem("day", "Give the day of the insertion."))
        if "staff_number" not in said and "staff_number" not in broken:
            problems.append(Problem("staff_number", "Give the staff number of whoever inserted."))
        return said

    def _person(self, said: Mapping[str, Any], problems: list[Problem]) -> Person | None:
        number = said.get("staff_number")
        if number is None:
            return None
        try:
            found = self.register.people.by_number(number)
        except Refused as refused:
            problems.append(Problem("staff_number", refused.reason))
            return None
        if found is None:
            text = "Nobody in the register has this staff number: check it, or take the person in first."
            problems.append(Problem("staff_number", text))
            return None
        person, zeros_added = found
        if zeros_added:
            self.zeros_added.setdefault(number, person.staff_number)
        if not may_be(said.get("name", ""), person.name):
            text = f"This staff number is that of {person.name}: check the number and the name."
            problems.append(Problem("name", text))
        return person

    def _unit(self, said: Mapping[str, Any], problems: list[Problem]) -> int | None:
        text, hospital = said.get("unit", ""), said.get("hospital", "")
        if not text and "unit" in self._has:
            problems.append(Problem("unit", "Give the unit where it was done."))
            return None
        asked = (text or self.table.sheet, hospital)
        if asked not in self._units:
            try:
                self._units[asked] = self.register.places.unit(asked[0], hospital=hospital)
            except Refused as refused:
                self._units[asked] = refused
        found = self._units[asked]
        if isinstance(found, int):
            return found
        reason = found.reason if text else "Add a column for the unit, or name the sheet as the unit is named."
        problems.append(Problem("unit", reason))
        return None

    def _supervisor(self, position: int, said: Mapping[str, Any], problems: list[Problem]) -> Person | None:
        text = said.get("supervisor")
        if text is None:
            return None
        if text not in self._supervisors:
            try:
                found, is_shortened = self.register.people.supervisor(text)
            except Refused as refused:
                self._supervisors[text] = refused
            else:
                self._supervisors[text] = found
                if is_shortened:
                    self._once(position, "supervisor", text, f"A shortened name: read as {found.name}.")
        known = self._supervisors[text]
        if isinstance(known, Refused):
            problems.append(Problem("supervisor", known.reason))
            return None
        if said.get("nearness") == NOBODY:
            problems.append(Problem("nearness", "A supervisor is named, and nobody was there: say which."))
        return known

    def _attempts(
        self, position: int, said: Mapping[str, Any], problems: list[Problem]
    ) -> tuple[tuple[AttemptMade, ...], str]:
        shape = tuple(map(said.get, self._attempt_fields))
        told = self._attempts_told.get(shape)
        if told is None:
            told = self._attempts_told[shape] = attempts_told(said)
        # A cell that could not be read says nothing, so that what seems to be missing is not.
        if told.problem is not None and not any(
            problem.field in ("result", "first_time", "attempts", "attempt_number") for problem in problems
        ):
            problems.append(told.problem)
        if told.reason_unused:
            self._warn(position, "reason", "The reason does not fit how it went, and was left out.")
        return told.attempts, told.not_attempted

    def _procedure(self, said: Mapping[str, Any], problems: list[Problem]) -> tuple[str, str]:
        """Patient band, and technique as one of `vocabulary.TECHNIQUES`."""
        band, technique = said.get("band"), said.get("technique")
        broken = {problem.field for problem in problems}
        if text := said.get("procedure"):
            try:
                procedure = self.register.procedure(text)
            except Refused as refused:
                problems.append(Problem("procedure", refused.reason))
                return "", ""
            guided = procedure.technique == "ultrasound"
            if band not in (None, procedure.band) or (technique is not None and (technique in GUIDED) != guided):
                problems.append(Problem("procedure", "Procedure, patient group and technique do not agree: say which."))
            return procedure.band, technique or ("ultrasound" if guided else "landmark")
        asked = next((name for name in ("band", "procedure") if name in self._has), None)
        if band is None and asked is not None and asked not in broken:
            problems.append(Problem(asked, "Say which patient group: adult, child, infant or neonate."))
        return band or "adult", technique or "landmark"

    def _comment(self, position: int, said: Mapping[str, Any]) -> str:
        text: str = said.get("comment", "")
        if not text:
            return ""
        if text not in self._comments:
            wrong = text_problems("comment", text, longest=LONGEST)
            self._comments[text] = f"The comment was left out. {wrong[0].text}" if wrong else ""
        if self._comments[text]:
            self._warn(position, "comment", self._comments[text])
            return ""
        return text

    def _joined(
        self, found: Occasion, attempts: tuple[AttemptMade, ...], said: Mapping[str, Any], number: int
    ) -> Occasion | None:
        """Add a row's puncture to the occasion above that it follows; None if that was done."""
        if found.problems or found.person is None or found.person.clinician is None or found.unit is None:
            return found
        earlier = self._open.get((found.person.clinician, found.unit, said["day"]))
        if earlier is None or earlier.last_attempt != number - 1 or not _is_soon_after(earlier, said):
            text = f"Attempt {number} needs attempt {number - 1} of the same person, unit and day in a row above it."
            found.problems.append(Problem("attempt_number", text))
            return found
        before = earlier.entry
        assert before is not None
        if before.attempts and before.attempts[-1].result in ("working", "taken_over"):
            text = "The attempt before it worked or was taken over: a second cannula is another occasion."
            found.problems.append(Problem("attempt_number", text))
            return found
        (position,) = found.rows
        comment = " ".join(filter(None, (before.comment, self._comment(position, said))))
        if text_problems("comment", comment, longest=LONGEST):
            comment = before.comment
            self._warn(position, "comment", "Joined to that of the row above the comment is too long: it was left out.")
        events = before.events
        if events is not None:
            events = tuple(dict.fromkeys((*events, *said.get("events", ()))))
        more = tuple(_by(each, before.technique) for each in attempts)
        earlier.entry = replace(before, attempts=(*before.attempts, *more), comment=comment, events=events)
        earlier.rows.append(position)
        earlier.last_attempt = number
        return None

    def _once(self, position: int, name: str, what: str, text: str) -> None:
        if (name, what) not in self._told:
            self._told.add((name, what))
            self._warn(position, name, text)


def _is_soon_after(earlier: Occasion, said: Mapping[str, Any]) -> bool:
    """Whether a later puncture can belong to this occasion, as far as times are known."""
    entry, at = earlier.entry, said.get("time")
    if entry is None or at is None or not entry.time_known:
        return entry is not None
    apart = datetime.combine(said["day"], at) - entry.performed
    return 0 <= apart.total_seconds() <= _TOGETHER_SECONDS


def _by(attempt: AttemptMade, technique: str) -> AttemptMade:
    return attempt if technique == attempt.technique else replace(attempt, technique=technique)
