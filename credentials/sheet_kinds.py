"""The kinds of sheet that come in, each with its fields and its way from a workbook into the register."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Protocol

from audits import logbook_sheets
from audits.sheet_report import Plan, Report
from credentials import completion_sheets, staff_sheets
from people.access import Right
from people.models import User
from people.signing import Confirmed
from sheets.headings import Field
from sheets.reading import Workbook
from sheets.table import Recall, Tables

Days = tuple[date, date] | None


class CarryOut(Protocol):
    def __call__(
        self, *, signer: Confirmed, plan: Any, before: Callable[[], None] | None, after: Callable[[], None] | None
    ) -> Report: ...


class ReadTables(Protocol):
    def __call__(
        self, workbook: Workbook, *, columns: Mapping[str, str | None] | None = None, recall: Recall | None = None
    ) -> Tables: ...


@dataclass(frozen=True)
class Kind:
    """One kind of sheet. `right` is what somebody needs somewhere to begin; the rows are judged one by one."""

    code: str
    title: str
    about: str
    fields: tuple[Field, ...]
    notes: Sequence[str]
    meaning: str
    right: Right
    has_days: bool
    read_tables: ReadTables
    plan: Callable[[User, Tables, str, Days], Plan]
    carry_out: CarryOut

    @property
    def url_name(self) -> str:
        return f"import_{self.code}"


STAFF = Kind(
    code=staff_sheets.KIND,
    title="Staff list",
    about="People, the units where they work, appointments, who is learning what, awards from before this register.",
    fields=staff_sheets.FIELDS,
    notes=staff_sheets.NOTES,
    meaning=staff_sheets.MEANING,
    right=Right.PLACE,
    has_days=False,
    read_tables=staff_sheets.read_tables,
    plan=lambda actor, tables, file, _: staff_sheets.rehearse(actor=actor, tables=tables, file=file),
    carry_out=staff_sheets.carry_out,
)
LOGBOOK = Kind(
    code=logbook_sheets.KIND,
    title="Insertions",
    about="The logs of your wards: as often as they grow, only what is new comes in.",
    fields=logbook_sheets.FIELDS,
    notes=logbook_sheets.NOTES,
    meaning=logbook_sheets.MEANING,
    right=Right.LOG_ON_BEHALF,
    has_days=True,
    read_tables=logbook_sheets.read_tables,
    plan=lambda actor, tables, file, days: logbook_sheets.plan_import(actor=actor, tables=tables, file=file, days=days),
    carry_out=logbook_sheets.carry_out,
)
COMPLETIONS = Kind(
    code=completion_sheets.KIND,
    title="Completions",
    about="Knowledge tests, theory and simulation sessions, policies read: the results as your education office keeps "
    "them.",
    fields=completion_sheets.FIELDS,
    notes=completion_sheets.NOTES,
    meaning=completion_sheets.MEANING,
    right=Right.DECIDE,
    has_days=False,
    read_tables=completion_sheets.read_tables,
    plan=lambda actor, tables, file, _: completion_sheets.plan_import(actor=actor, tables=tables, file=file),
    carry_out=completion_sheets.carry_out,
)
KINDS: Mapping[str, Kind] = {kind.code: kind for kind in (STAFF, LOGBOOK, COMPLETIONS)}
