"""From the cells of a staff list to what its rows say, and the order in which they can be taken in."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from audits.directory import plain_name
from credentials.staff_fields import PARSERS
from people.clock import in_words
from people.problems import Problem
from sheets.cells import Refused
from sheets.table import Row, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What one row says of one person; what it leaves empty is '' or None. Ends are half-open."""

    position: int
    staff_number: str
    name: str
    email: str
    profession: str | None
    registration: str
    path: str
    kind: str
    home: bool | None
    from_day: date | None
    until_day: date | None
    roles: tuple[str, ...]
    role_path: str
    role_from: date | None
    role_until: date | None
    learning: tuple[str, ...]
    learning_from: date | None
    knowledge_on: date | None
    simulation_on: date | None
    held: tuple[str, ...]
    awarded_on: date | None
    expires_on: date | None
    held_at: str
    evidence_kind: str
    evidence_place: str

    @property
    def is_clinician(self) -> bool:
        """Whether the person inserts or may: without number, unit or procedure it is an account alone."""
        return bool(self.staff_number or self.path or self.learning or self.held)


def read_row(
    table: Table, position: int, row: Row, warn: Callable[[int, str, str], None], *, width: int = 0
) -> tuple[Said | None, list[Problem]]:
    """What a row says; None with problems if a cell cannot be read. `width` as `width_of_numbers` found it."""
    problems: list[Problem] = []
    said: dict[str, Any] = {}
    for name in table.columns:
        cell = row.values[name]
        if cell is None or cell == "":
            continue
        warnings: list[str] = []
        try:
            said[name] = PARSERS[name](cell, warnings.append)
        except Refused as refused:
            problems.append(Problem(name, refused.reason))
        for text in warnings:
            warn(position, name, text)
    if not said.get("staff_number") and not said.get("email") and not problems:
        problems.append(Problem("staff_number", "Give a staff number or an e-mail, so that the person is known again."))
    if width and isinstance(row.values.get("staff_number"), float | int) and said.get("staff_number"):
        said["staff_number"] = said["staff_number"].zfill(width)
    _check_belongings(said, problems)
    _check_order(said, problems)
    if problems:
        return None, problems
    name = said.get("name") or ", ".join(filter(None, (said.get("surname"), said.get("first_name"))))
    return (
        Said(
            position=position,
            staff_number=said.get("staff_number") or "",
            name=plain_name(name or ""),
            email=said.get("email") or "",
            profession=said.get("profession"),
            registration=said.get("registration") or "",
            path=_path(said.get("hospital") or "", said.get("unit") or ""),
            kind=said.get("kind") or "employed",
            home=said.get("home"),
            from_day=said.get("from_day"),
            until_day=_after(said.get("through")),
            roles=said.get("roles") or (),
            role_path=said.get("role_unit") or "",
            role_from=said.get("role_from"),
            role_until=_after(said.get("role_through")),
            learning=said.get("learning") or (),
            learning_from=said.get("learning_from"),
            knowledge_on=said.get("knowledge_on"),
            simulation_on=said.get("simulation_on"),
            held=said.get("held") or (),
            awarded_on=said.get("awarded_on"),
            expires_on=_after(said.get("valid_through")),
            held_at=said.get("held_at") or "",
            evidence_kind=said.get("evidence_kind") or "",
            evidence_place=said.get("evidence_place") or "",
        ),
        [],
    )


def width_of_numbers(table: Table) -> int:
    """The digits of this list's staff numbers, where some are text with zeros before them and others are numbers.

    Numbers have lost such zeros. 0 if the list does not show how many there were: texts of different lengths, none with
    a zero before it, or a number that is longer.
    """
    texts, numbers = set(), set()
    for row in table.rows():
        cell = row.values.get("staff_number")
        if isinstance(cell, str) and cell.strip():
            texts.add(cell.strip())
        elif isinstance(cell, float | int) and not isinstance(cell, bool):
            numbers.add(len(f"{cell:.0f}"))
    widths = {len(text) for text in texts}
    shows = all(text.isdigit() for text in texts) and any(text.startswith("0") for text in texts)
    return max(widths) if numbers and shows and len(widths) == 1 and max(numbers) <= max(widths) else 0


def _check_belongings(said: dict[str, Any], problems: list[Problem]) -> None:
    """What stands without what it belongs to."""
    broken = {problem.field for problem in problems}
    for name, belongs_to, text in (
        ("learning_from", "learning", "Say which procedure is learned, under Learning."),
        ("knowledge_on", "learning", "Say for which procedure, under Learning."),
        ("simulation_on", "learning", "Say for which procedure, under Learning."),
        ("awarded_on", "held", "Say which procedure was awarded, under Holds."),
        ("valid_through", "held", "Say which procedure was awarded, under Holds."),
    ):
        if said.get(name) and not said.get(belongs_to) and belongs_to not in broken:
            problems.append(Problem(belongs_to, text))
    for name, needs, text in (
        ("learning", "learning_from", "Give the day from which it is learned."),
        ("held", "awarded_on", "Give the day of the award."),
    ):
        if said.get(name) and not said.get(needs) and needs not in broken:
            problems.append(Problem(needs, text))


def _check_order(said: dict[str, Any], problems: list[Problem]) -> None:
    for first, last in (("from_day", "through"), ("role_from", "role_through"), ("awarded_on", "valid_through")):
        if said.get(first) and said.get(last) and said[last] < said[first]:
            problems.append(Problem(last, f"The last day lies before the first, {in_words(said[first])}."))


def in_order(said: Sequence[Said]) -> Iterator[Said]:
    """Each person's rows together where their first stands, home units before others."""
    whose: dict[str, list[Said]] = {}
    for each in said:
        whose.setdefault(each.staff_number.casefold() or each.email.casefold(), []).append(each)
    for rows in whose.values():
        # A row that says that it is home, then one that leaves it open, then those that are not.
        yield from sorted(rows, key=lambda each: {True: 0, None: 1, False: 2}[each.home])


def _path(hospital: str, unit: str) -> str:
    if hospital and unit and not unit.casefold().startswith(hospital.casefold()):
        return f"{hospital} / {unit}"
    return unit or hospital


def _after(day: date | None) -> date | None:
    return None if day is None else day + timedelta(days=1)
