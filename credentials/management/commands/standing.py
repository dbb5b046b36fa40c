"""May this person insert alone? The answer for any clinician and day, with its reasons."""

import json
from datetime import datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from audits.models import Procedure
from credentials.answering import Answered, answer
from credentials.management.commands.review import as_day
from credentials.rules.sentences import because, sentence
from ledger import acts
from people.models import Clinician
from people.tree import tree


class Command(BaseCommand):
    help = "Whether somebody may insert: today or on any day, as known now or as known then."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("staff_number", metavar="STAFF_NUMBER")
        parser.add_argument("procedure", metavar="PROCEDURE_CODE")
        parser.add_argument("--unit", metavar="PATH", help="'Hospital / Ward'; without it the home unit")
        parser.add_argument("--on", metavar="DATE", help="a day at the home unit; without it today")
        parser.add_argument("--known-at", metavar="TIME", help="as the register knew it then: 2026-03-01T08:00+10:30")
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, **options: Any) -> None:
        clinician = Clinician.objects.filter(staff_number__iexact=options["staff_number"].strip()).first()
        if clinician is None:
            raise CommandError(
                f"{options['staff_number']} is not in this register: treat as not confirmed.", returncode=1
            )
        procedure = Procedure.objects.filter(code__iexact=options["procedure"].strip()).first()
        if procedure is None:
            codes = ", ".join(Procedure.objects.values_list("code", flat=True)) or "none yet"
            raise CommandError(f"No procedure {options['procedure']}; there are: {codes}.", returncode=1)
        found = answer(
            clinician,
            procedure,
            unit=_unit(options["unit"]),
            on=as_day(options["on"]) if options["on"] else None,
            known=acts.number_at(_moment(options["known_at"])) if options["known_at"] else None,
        )
        self.stdout.write(json.dumps(found.document()) if options["json"] else _told(found))


def _told(found: Answered) -> str:
    lines = [sentence(found.clinician.name, found.at, on=found.read.on, today=found.read.on), because(found.at)]
    if found.path:
        lines.append(f"At {found.path}, for {found.procedure.name}, as known at act {found.read.known}.")
    return "\n".join(line for line in lines if line)


def _unit(path: str | None) -> int | None:
    if not path:
        return None
    found = tree().find(path)
    if found is None:
        raise CommandError(f"No unit {path!r}: write it as 'Hospital / Ward'.", returncode=1)
    return found


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{text!r} is no time: write it as 2026-03-01T08:00+10:30.", returncode=2) from None
    return moment if timezone.is_aware(moment) else timezone.make_aware(moment)
