"""Take a list of completions into the register: knowledge tests, theory and simulation sessions, policies read."""

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from audits import importing
from audits.sheet_report import Report
from credentials.completion_sheets import FIELDS, MEANING, Plan, carry_out, plan_import, read_tables
from people import at_terminal
from people.access import NotPermitted
from people.signing import NotConfirmed
from sheets.zipcheck import FileRefused


class Command(BaseCommand):
    help = (
        "Import completions from a workbook or CSV file: knowledge tests, theory and simulation sessions, policies "
        "read, return steps, passed or not. Repeatable: what is in the register already is passed over."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE")
        parser.add_argument("--as", required=True, dest="email", metavar="EMAIL", help="an educator of these people")
        parser.add_argument("--columns", metavar="MAP.json", help='which heading is which field: {"kind": "What"}')
        parser.add_argument("--dry-run", action="store_true", help="say what would become of every row; store nothing")
        parser.add_argument("--refused", metavar="FILE.xlsx", help="write the refused rows there, to be mended")
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, file: str, email: str, **options: Any) -> None:
        user = at_terminal.account(email)
        workbook, digest = importing.opened(file)
        columns = importing.columns_at(options["columns"], FIELDS)
        try:
            plan = plan_import(actor=user, tables=read_tables(workbook, columns=columns), file=digest)
        except FileRefused as refused:
            raise CommandError(refused.reason, returncode=1) from None
        except NotPermitted:
            raise CommandError(
                "Only an educator imports completions, of the people of their units.", returncode=1
            ) from None
        report = self._store(plan) if plan.has_work and not options["dry_run"] else plan.report
        importing.keep_refused(report, FIELDS, options["refused"])
        importing.tell(report, self.stdout, as_json=options["json"], dry_run=options["dry_run"])
        if report.has_refusals:
            sys.exit(1)

    def _store(self, plan: Plan) -> Report:
        self.stderr.write(f"You sign: {plan.statement}")
        given = at_terminal.secret(plan.actor, what="this import")
        confirmed = at_terminal.signed(plan.actor, given, meaning=MEANING, digests=[plan.digest])
        try:
            return carry_out(signer=confirmed, plan=plan)
        except NotConfirmed as refusal:
            raise CommandError(str(refusal), returncode=1) from None
