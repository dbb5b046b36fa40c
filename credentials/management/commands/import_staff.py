"""Take a staff list into the register: people, units, placements, appointments, learning, awards from before."""

import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from audits import importing
from audits.sheet_report import Report
from credentials.staff_sheets import FIELDS, MEANING, Plan, carry_out, read_tables, rehearse
from people import at_terminal
from people.access import NotPermitted
from people.signing import NotConfirmed
from sheets.zipcheck import FileRefused


class Command(BaseCommand):
    help = (
        "Import a staff list from a workbook or CSV file: people, unit paths 'Hospital / Ward', placements, "
        "appointments, who is learning what, and founding awards, which wait for a second person. Nobody is invited by "
        "it: see invite."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE")
        parser.add_argument("--as", required=True, dest="email", metavar="EMAIL", help="an administrator or educator")
        parser.add_argument("--columns", metavar="MAP.json", help='which heading is which field: {"unit": "Where"}')
        parser.add_argument("--dry-run", action="store_true", help="say what would become of every row; store nothing")
        parser.add_argument("--refused", metavar="FILE.xlsx", help="write the refused rows there, to be mended")
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, file: str, email: str, **options: Any) -> None:
        user = at_terminal.account(email)
        workbook, digest = importing.opened(file)
        columns = importing.columns_at(options["columns"], FIELDS)
        try:
            plan = rehearse(actor=user, tables=read_tables(workbook, columns=columns), file=digest)
        except FileRefused as refused:
            raise CommandError(refused.reason, returncode=1) from None
        except NotPermitted:
            raise CommandError(
                "Only administrators, educators and managers import staff lists.", returncode=1
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
