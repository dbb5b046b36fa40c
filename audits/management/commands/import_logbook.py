"""Bring a logbook sheet into the register: look at every row, sign what the sheet is, store what is new."""

from collections.abc import Mapping
from datetime import date
from typing import Any

from django.core.management.base import CommandError, CommandParser

from audits.import_command import Columns, ImportCommand
from audits.logbook import Conflict
from audits.logbook_sheets import FIELDS, MEANING, Plan, carry_out, plan_import, read_tables
from audits.sheet_report import Report
from people.models import User
from people.signing import Confirmed, NotConfirmed
from sheets.cells import Refused
from sheets.days import day
from sheets.reading import Workbook


class Command(ImportCommand):
    help = "Import insertions from a workbook or CSV file. Repeatable: next month's sheet brings only what is new."
    fields = FIELDS
    meaning = MEANING
    who = "an educator of the units"
    only = "Only an educator imports insertions, for the units of their appointment."
    example = '{"site": "Where"}'
    signs = "this statement"

    def add_own_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--complete",
            nargs=2,
            metavar=("FROM", "TO"),
            help="sign that the sheet is complete from this day through that; without it the sheet is partial",
        )

    def planned(
        self, actor: User, workbook: Workbook, columns: Columns, digest: str, options: Mapping[str, Any]
    ) -> Plan:
        tables = read_tables(workbook, columns=columns)
        return plan_import(actor=actor, tables=tables, file=digest, days=_days(options["complete"]))

    def carried_out(self, signer: Confirmed, plan: Any) -> Report:
        try:
            return carry_out(signer=signer, plan=plan)
        except (Conflict, NotConfirmed):
            raise CommandError(
                "The register changed meanwhile; nothing was stored. Call again.", returncode=1
            ) from None


def _days(given: list[str] | None) -> tuple[date, date] | None:
    if given is None:
        return None
    try:
        first, last = (day(each) for each in given)
    except Refused as refused:
        raise CommandError(f"--complete {' '.join(given)}: {refused.reason}", returncode=2) from None
    if first is None or last is None:
        raise CommandError("--complete needs two days.", returncode=2)
    return first, last
