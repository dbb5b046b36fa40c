"""Bring a logbook sheet into the register: look at every row, sign what the sheet is, store what is new."""

import sys
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from audits import importing
from audits.logbook import Conflict
from audits.logbook_sheets import FIELDS, MEANING, Plan, carry_out, plan_import, read_tables
from people import at_terminal
from people.access import NotPermitted
from people.problems import Problems
from people.signing import NotConfirmed
from sheets.cells import Refused
from sheets.days import day
from sheets.zipcheck import FileRefused


class Command(BaseCommand):
    help = "Import insertions from a workbook or CSV file. Repeatable: next month's sheet brings only what is new."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE")
        parser.add_argument("--as", required=True, dest="email", metavar="EMAIL", help="an educator of the units")
        parser.add_argument("--columns", metavar="MAP.json", help='which heading is which field: {"site": "Where"}')
        parser.add_argument(
            "--complete",
            nargs=2,
            metavar=("FROM", "TO"),
            help="sign that the sheet is complete from this day through that; without it the sheet is partial",
        )
        parser.add_argument("--dry-run", action="store_true", help="say what would become of every row; store nothing")
        parser.add_argument("--refused", metavar="FILE.xlsx", help="write the refused rows there, to be mended")
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, file: str, email: str, **options: Any) -> None:
        user = at_terminal.account(email)
        workbook, digest = importing.opened(file)
        columns = importing.columns_at(options["columns"], FIELDS)
        try:
            plan = plan_import(
                actor=user, tables=read_tables(workbook, columns=columns), file=digest, days=_days(options["complete"])
            )
        except (FileRefused, Problems, NotPermitted) as refusal:
            raise CommandError(_words(refusal), returncode=1) from None
        if plan.has_work and not options["dry_run"]:
            self._store(plan)
        importing.keep_refused(plan.report, FIELDS, options["refused"])
        importing.tell(plan.report, self.stdout, as_json=options["json"], dry_run=options["dry_run"])
        if plan.report.has_refusals:
            sys.exit(1)

    def _store(self, plan: Plan) -> None:
        self.stderr.write(f"You sign: {plan.statement}")
        given = at_terminal.secret(plan.actor, what="this statement")
        confirmed = at_terminal.signed(plan.actor, given, meaning=MEANING, digests=[plan.digest])
        try:
            carry_out(signer=confirmed, plan=plan)
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


def _words(refusal: Exception) -> str:
    if isinstance(refusal, NotPermitted):
        return "Only an educator imports insertions, for the units of their appointment."
    return str(refusal)
