"""From the cells of a list of completions to what each row says of whom: read, found in the register, judged by itself.

A problem names the field whose cell is to be mended; a warning says what was left out or taken for granted.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from audits.completions import Kind, NewCompletion, problems_of
from audits.directory import People, may_be
from audits.logbook_rows import codes_of, procedure_called
from audits.models import Procedure
from credentials.completion_fields import PARSERS, says_passed
from people.models import Clinician
from people.problems import Problem
from sheets.cells import Refused
from sheets.table import Row, Table

OWN = "Nobody does this about themselves: let somebody else import or enter it."
_FIELD_OF = {"on": "day", "result": "score", "valid_until": "valid_through"}


@dataclass(frozen=True, eq=False)
class Register:
    """Whom and what a list may name. `decided` are those about whom whoever imports decides, by their keys.

    `me` is their own clinician's key, and `signer` their name, where a row does not say who saw the proof.
    """

    people: People
    decided: Mapping[int, Clinician]
    me: int | None
    procedures: tuple[Procedure, ...]
    signer: str

    def procedure(self, text: str) -> Procedure:
        """The procedure with this code or name; without one the only procedure there is. Raises Refused."""
        if text.split():
            return procedure_called(text, self.procedures)
        if len(self.procedures) == 1:
            return self.procedures[0]
        raise Refused(f"Say for which procedure; there are: {codes_of(self.procedures)}.")

    def by(self, text: str) -> str:
        """Who saw the proof: the name of a staff number or an e-mail of the register, or the name as it stands."""
        if "@" in text:
            known = self.people.by_email(text)
            if known is None:
                raise Refused("Nobody in the register has this e-mail: give the name.")
            return known.name
        found = self.people.by_number(text) if any(sign.isdigit() for sign in text) else None
        if found is None and text.isdigit():
            raise Refused("Nobody in the register has this staff number: give the name.")
        return found[0].name if found else text


class Reader:
    """Reads the rows of one table. `warn(position, field, text)` takes remarks that refuse nothing."""

    def __init__(self, table: Table, register: Register, warn: Callable[[int, str, str], None]) -> None:
        self._columns = list(table.columns)
        self._register = register
        self._warn = warn
        self.zeros_added: dict[str, str] = {}  # numbers that differ from the register's by zeros, as read
        self.unnamed = 0  # rows that do not say who saw the proof

    def read(self, position: int, row: Row) -> tuple[NewCompletion | None, list[Problem]]:
        """What this row says; None with what is to be mended."""
        problems: list[Problem] = []
        said = self._cells(position, row, problems)
        broken = {each.field for each in problems}
        clinician = self._clinician(said, problems, broken)
        procedure = self._found("procedure", self._register.procedure, said.get("procedure") or "", problems, broken)
        by = self._found("verified_by", self._register.by, said.get("verified_by") or "", problems, broken)
        for name, text in (("kind", "Say what it was: a test, a session, a policy."), ("day", "Give the day.")):
            if not said.get(name) and name not in broken:
                problems.append(Problem(name, text))
        passed = self._passed(said, problems) if "passed" not in broken and said.get("kind") else None
        if problems or clinician is None or procedure is None or passed is None:
            return None, problems
        new = NewCompletion(
            clinician=clinician,
            procedure=procedure,
            kind=said["kind"],
            on=said["day"],
            verified_by=by or self._register.signer,
            valid_until=self._until(position, said, passed),
            result=said.get("score") or "",
            passed=passed,
            about=_about(said),
        )
        if found := problems_of(new):
            return None, [Problem(_FIELD_OF.get(each.field, each.field), each.text) for each in found]
        self.unnamed += not by
        return new, []

    def _cells(self, position: int, row: Row, problems: list[Problem]) -> dict[str, Any]:
        said: dict[str, Any] = {}
        for name in self._columns:
            warnings: list[str] = []
            try:
                said[name] = PARSERS[name](row.values[name], warnings.append)
            except Refused as refused:
                problems.append(Problem(name, refused.reason))
            for text in warnings:
                self._warn(position, name, text)
        return said

    def _clinician(self, said: Mapping[str, Any], problems: list[Problem], broken: set[str]) -> Clinician | None:
        number = said.get("staff_number")
        if not number:
            if "staff_number" not in broken:
                problems.append(Problem("staff_number", "Give the staff number, so that it goes to the right person."))
            return None
        found = self._found("staff_number", self._register.people.by_number, number, problems, broken)
        if found is None:
            if "staff_number" not in {each.field for each in problems}:
                text = "Nobody in the register has this staff number: check it, or take the person in first."
                problems.append(Problem("staff_number", text))
            return None
        person, zeros_added = found
        if person.clinician == self._register.me:
            problems.append(Problem("staff_number", OWN))
            return None
        if person.clinician not in self._register.decided:
            problems.append(Problem("staff_number", "You are no educator of this person's unit."))
            return None
        if zeros_added:
            self.zeros_added.setdefault(number, person.staff_number)
        name = " ".join(filter(None, (said.get(each) for each in ("name", "first_name", "surname"))))
        if not may_be(name, person.name):
            field = "name" if said.get("name") else "surname" if said.get("surname") else "first_name"
            text = f"This staff number is that of {person.name}: check the number and the name."
            problems.append(Problem(field, text))
        return self._register.decided[person.clinician]

    def _found(
        self, field: str, look: Callable[[str], Any], text: str, problems: list[Problem], broken: set[str]
    ) -> Any:
        """What the register says of this text; None with a problem where it says nothing, and where it was not read."""
        if field in broken:
            return None
        try:
            return look(text)
        except Refused as refused:
            problems.append(Problem(field, refused.reason))
            return None

    def _passed(self, said: Mapping[str, Any], problems: list[Problem]) -> bool | None:
        """Whether it was passed: as the row says, as the words of its score say, else as done where nobody can fail."""
        told, score = said.get("passed"), said.get("score") or ""
        by_score = says_passed(score)
        if told is not None and by_score is not None and told != by_score:
            problems.append(Problem("passed", "This and the score say the opposite: put one of them right."))
            return None
        found = by_score if told is None else told
        if found is None and (said["kind"] == Kind.KNOWLEDGE or any(sign.isdigit() for sign in score)):
            problems.append(Problem("passed", "Say whether it was passed, Y or N: no pass mark is guessed."))
            return None
        return True if found is None else found

    def _until(self, position: int, said: Mapping[str, Any], passed: bool) -> date | None:
        through: date | None = said.get("valid_through")
        if through is None:
            return None
        if not passed:
            self._warn(position, "valid_through", "It was not passed, so that no last day was kept.")
            return None
        return through + timedelta(days=1)


def _about(said: Mapping[str, Any]) -> str:
    title, version = said.get("about") or "", said.get("version") or ""
    return f"{title}, version {version}" if title and version else title
