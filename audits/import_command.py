"""What the commands that take in a sheet have in common: open it, plan, sign, store, tell."""

import sys
from collections.abc import Mapping, Sequence
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from audits import importing
from audits.sheet_report import Plan, Report
from people import at_terminal
from people.access import NotPermitted
from people.models import User
from people.problems import Problems
from people.signing import Confirmed, NotConfirmed
from sheets.headings import Field
from sheets.reading import Workbook
from sheets.zipcheck import FileRefused

Columns = Mapping[str, str | None] | None


class ImportCommand(BaseCommand):
    """Exit status 0 done, 1 something was refused, 2 wrong use.

    fields: of the sheet; meaning: of the signature; who: may import, for the help; only: what is said to who may not;
    example: of a column map; signs: what the secret is asked for.
    """

    fields: Sequence[Field]
    meaning: str
    who: str
    only: str
    example: str
    signs = "this import"

    def planned(
        self, actor: User, workbook: Workbook, columns: Columns, digest: str, options: Mapping[str, Any]
    ) -> Plan:
        """The plan for this workbook. Raises FileRefused, NotPermitted, Problems."""
        raise NotImplementedError

    def carried_out(self, signer: Confirmed, plan: Any) -> Report:
        """Store the plan. Raises NotConfirmed, or CommandError with words of its own."""
        raise NotImplementedError

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", metavar="FILE")
        parser.add_argument("--as", required=True, dest="email", metavar="EMAIL", help=self.who)
        parser.add_argument("--columns", metavar="MAP.json", help=f"which heading is which field: {self.example}")
        self.add_own_arguments(parser)
        parser.add_argument("--dry-run", action="store_true", help="say what would become of every row; store nothing")
        parser.add_argument("--refused", metavar="FILE.xlsx", help="write the refused rows there, to be mended")
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def add_own_arguments(self, parser: CommandParser) -> None:
        """What only this sheet is asked."""

    def handle(self, *args: Any, file: str, email: str, **options: Any) -> None:
        user = at_terminal.account(email)
        workbook, digest = importing.opened(file)
        columns = importing.columns_at(options["columns"], self.fields)
        try:
            plan = self.planned(user, workbook, columns, digest, options)
        except FileRefused as refused:
            raise CommandError(refused.reason, returncode=1) from None
        except NotPermitted:
            raise CommandError(self.only, returncode=1) from None
        except Problems as problems:
            raise CommandError(str(problems), returncode=1) from None
        report = self._stored(plan) if plan.has_work and not options["dry_run"] else plan.report
        importing.keep_refused(report, self.fields, options["refused"])
        importing.tell(report, self.stdout, as_json=options["json"], dry_run=options["dry_run"])
        if report.has_refusals:
            sys.exit(1)

    def _stored(self, plan: Plan) -> Report:
        self.stderr.write(f"You sign: {plan.statement}")
        given = at_terminal.secret(plan.actor, what=self.signs)
        confirmed = at_terminal.signed(plan.actor, given, meaning=self.meaning, digests=[plan.digest])
        try:
            return self.carried_out(confirmed, plan)
        except NotConfirmed as refusal:
            raise CommandError(str(refusal), returncode=1) from None
