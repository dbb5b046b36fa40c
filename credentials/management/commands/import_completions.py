"""Take a list of completions into the register: knowledge tests, theory and simulation sessions, policies read."""

from collections.abc import Mapping
from typing import Any

from audits.import_command import Columns, ImportCommand
from audits.sheet_report import Report
from credentials.completion_sheets import FIELDS, MEANING, Plan, carry_out, plan_import, read_tables
from people.models import User
from people.signing import Confirmed
from sheets.reading import Workbook


class Command(ImportCommand):
    help = (
        "Import completions from a workbook or CSV file: knowledge tests, theory and simulation sessions, policies "
        "read, return steps, passed or not. Repeatable: what is in the register already is passed over."
    )
    fields = FIELDS
    meaning = MEANING
    who = "an educator of these people"
    only = "Only an educator imports completions, of the people of their units."
    example = '{"kind": "What"}'

    def planned(
        self, actor: User, workbook: Workbook, columns: Columns, digest: str, options: Mapping[str, Any]
    ) -> Plan:
        return plan_import(actor=actor, tables=read_tables(workbook, columns=columns), file=digest)

    def carried_out(self, signer: Confirmed, plan: Any) -> Report:
        return carry_out(signer=signer, plan=plan)
