"""A ward with an educator who imports, and small sheets to import."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from audits.logbook_sheets import MEANING, Plan, carry_out, plan_import, read_tables
from audits.models import Procedure
from audits.sheet_report import Report
from people.models import Clinician, User
from people.signing import confirm
from sheets.reading import read_workbook
from tests.factories import SECRET, Cast, ProcedureFactory, SettingFactory, make_cast, make_clinician
from tests.sheets import books

NOW = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)  # 13:30 in Adelaide
HEADINGS = ("Staff no", "Unit", "Date", "Time", "Patient group", "Gauge", "Site", "Attempts", "Result", "Events")
DAYS = (date(2026, 2, 1), date(2026, 2, 28))


@dataclass(frozen=True)
class Stage:
    cast: Cast
    procedure: Procedure
    ada: Clinician  # 004512
    ben: Clinician  # 004513
    educator: User

    def row(self, **said: Any) -> list[Any]:
        """A routine row, with other values where given by heading."""
        usual: dict[str, Any] = dict(
            zip(
                HEADINGS,
                ("004512", "Ward 4 Tern", date(2026, 2, 10), "10:00", "Adult", "20 G", "L forearm", 1, "Y", "none"),
                strict=True,
            )
        )
        changed = {heading.replace(" ", "_"): heading for heading in HEADINGS}
        return list((usual | {changed[name]: value for name, value in said.items()}).values())


def make_stage() -> Stage:
    """Staff numbers with zeros; the start day of the group is the first of January 2026."""
    cast = make_cast()
    procedure = ProcedureFactory(code="ADULT", name="Adult, landmark")
    ada = make_clinician(cast.wards.ward, "Ada Okafor", staff_number="004512")
    ben = make_clinician(cast.wards.ward, "Ben Hale", staff_number="004513")
    SettingFactory(
        unit=cast.wards.group, name="start_day", about="ADULT", plain="2026-01-01", from_day=date(2026, 1, 1)
    )
    return Stage(cast, procedure, ada, ben, cast.educator)


def sheet(rows: Sequence[Sequence[Any]], *, headings: Sequence[Any] = HEADINGS, name: str = "Log") -> bytes:
    return books.sheets({name: [headings, *rows]})


def plan(
    stage: Stage,
    data: bytes,
    *,
    days: tuple[date, date] | None = DAYS,
    by: User | None = None,
    columns: dict[str, str | None] | None = None,
) -> Plan:
    tables = read_tables(read_workbook(data, name="log.xlsx"), columns=columns)
    return plan_import(actor=by or stage.educator, tables=tables, file="0" * 64, days=days)


def store(stage: Stage, data: bytes, **how: Any) -> Report:
    """Plan, sign and store a sheet; a plan without work stays a plan."""
    found = plan(stage, data, **how)
    if not found.has_work:
        return found.report
    signer = confirm(user=found.actor, secret=SECRET, meaning=MEANING, digests=[found.digest])
    return carry_out(signer=signer, plan=found)


def told(report: Report) -> list[tuple[int, str, str]]:
    """(row, column, reason) of each refusal."""
    return [(each["row"], each["column"], each["reason"]) for each in report.document()["refused"]]


def warned(report: Report) -> list[str]:
    return [each["reason"] for each in report.document()["warnings"]]
