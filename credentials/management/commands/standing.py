"""May this person insert alone? The answer for any clinician and day, with its reasons."""

import json
from datetime import datetime
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from audits.models import Procedure
from credentials.answering import Answered, answer
from credentials.management.commands.review import as_day
from credentials.past import compared, number_at_end_of
from credentials.past_facts import Change
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
        parser.add_argument(
            "--compare",
            action="store_true",
            help="known then (--known-at, else the end of the day) beside known now",
        )
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, **options: Any) -> None:
        clinician = Clinician.objects.filter(staff_number__iexact=options["staff_number"].strip()).first()
        if clinician is None:
            raise CommandError(
                f"{options['staff_number']} is not in this register: treat as not confirmed.", returncode=1
            )
        procedure, unit = procedure_of(options["procedure"]), unit_at(options["unit"])
        on = as_day(options["on"]) if options["on"] else None
        known = acts.number_at(moment_of(options["known_at"])) if options["known_at"] else None
        found = answer(clinician, procedure, unit=unit, on=on, known=known)
        if options["compare"]:
            self._compare(found, unit=unit, known=known, as_json=options["json"])
        else:
            self.stdout.write(json.dumps(found.document()) if options["json"] else _told(found))

    def _compare(self, found: Answered, *, unit: int | None, known: int | None, as_json: bool) -> None:
        """The day as known then, by default at its end at the home unit, beside the day as known now."""
        places, home = tree(), found.read.standing.home
        zone = places.zone(home[0] if home and home[0] in places else places.root)
        number = known if known is not None else number_at_end_of(found.read.on, zone)
        if not number:
            raise CommandError("The register begins later: nothing was known then.", returncode=1)
        then, now, changed = compared(
            found.clinician, found.procedure, unit=unit, on=found.read.on, known=number, figures=True
        )
        if as_json:
            sides = {"then": then.answered.document(), "now": now.answered.document()}
            self.stdout.write(json.dumps({**sides, "changed": [_change(each) for each in changed]}))
            return
        self.stdout.write(f"As known then:\n{_told(then.answered)}\n\nAs known now:\n{_told(now.answered)}\n")
        for each in changed:
            self.stdout.write(f"- {each.words}{f' ({each.source})' if each.act else ''}")
        if not changed:
            self.stdout.write("Nothing reads otherwise now.")


def _change(each: Change) -> dict[str, Any]:
    act = each.act
    return {
        "words": each.words,
        "act": act.seq if act else None,
        "kind": act.kind if act else None,
        "recorded_at": act.recorded_at.isoformat() if act else None,
    }


def _told(found: Answered) -> str:
    lines = [sentence(found.clinician.name, found.at, on=found.read.on, today=found.read.on), because(found.at)]
    if found.path:
        lines.append(f"At {found.path}, for {found.procedure.name}, as known at act {found.read.known}.")
    return "\n".join(line for line in lines if line)


def procedure_of(code: str) -> Procedure:
    """The procedure of this code. Raises CommandError, naming those that there are."""
    procedure = Procedure.objects.filter(code__iexact=code.strip()).first()
    if procedure is None:
        codes = ", ".join(Procedure.objects.values_list("code", flat=True)) or "none yet"
        raise CommandError(f"No procedure {code}; there are: {codes}.", returncode=1)
    return procedure


def unit_at(path: str | None) -> int | None:
    if not path:
        return None
    found = tree().find(path)
    if found is None:
        raise CommandError(f"No unit {path!r}: write it as 'Hospital / Ward'.", returncode=1)
    return found


def moment_of(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{text!r} is no time: write it as 2026-03-01T08:00+10:30.", returncode=2) from None
    return moment if timezone.is_aware(moment) else timezone.make_aware(moment)
