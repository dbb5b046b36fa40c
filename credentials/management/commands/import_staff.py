"""Take a staff list into the register: people, units, placements, appointments, learning, awards from before."""

from collections.abc import Mapping
from typing import Any

from audits.import_command import Columns, ImportCommand
from audits.sheet_report import Report
from credentials.staff_sheets import FIELDS, MEANING, Plan, carry_out, read_tables, rehearse
from people.models import User
from people.signing import Confirmed
from sheets.reading import Workbook


class Command(ImportCommand):
    help = (
        "Import a staff list from a workbook or CSV file: people, unit paths 'Hospital / Ward', placements, "
        "appointments, who is learning what, and founding awards, which wait for a second person. Nobody is invited by "
        "it: see invite."
    )
    fields = FIELDS
    meaning = MEANING
    who = "an administrator or educator"
    only = "Only administrators, educators and managers import staff lists."
    example = '{"unit": "Where"}'

    def planned(
        self, actor: User, workbook: Workbook, columns: Columns, digest: str, options: Mapping[str, Any]
    ) -> Plan:
        return rehearse(actor=actor, tables=read_tables(workbook, columns=columns), file=digest)

    def carried_out(self, signer: Confirmed, plan: Any) -> Report:
        return carry_out(signer=signer, plan=plan)
