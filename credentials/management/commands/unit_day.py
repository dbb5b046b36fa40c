"""Who could insert on a unit on a past day, as known then and as known now."""

import json
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from credentials.management.commands.review import as_day
from credentials.management.commands.standing import moment_of, procedure_of, unit_at
from credentials.past import number_at_end_of
from credentials.past_unit import Line, lines_of
from credentials.rules.standing import AnswerAt
from ledger import acts
from people.tree import tree


class Command(BaseCommand):
    help = "Everybody placed on a unit on a day, with the answer as known then and as known now."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("unit", metavar="PATH", help="'Hospital / Ward'")
        parser.add_argument("procedure", metavar="PROCEDURE_CODE")
        parser.add_argument("--on", metavar="DATE", required=True, help="a day at the unit")
        parser.add_argument("--known-at", metavar="TIME", help="without it the end of that day")
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, **options: Any) -> None:
        unit, procedure, on = unit_at(options["unit"]), procedure_of(options["procedure"]), as_day(options["on"])
        if unit is None:
            raise CommandError("Name a unit: write it as 'Hospital / Ward'.", returncode=2)
        places = tree()
        at = options["known_at"]
        known = acts.number_at(moment_of(at)) if at else number_at_end_of(on, places.zone(unit))
        if not known:
            raise CommandError("The register begins later: nothing was known then.", returncode=1)
        lines = lines_of(unit, procedure, on=on, known=known)
        if options["json"]:
            document = {
                "unit": places.path(unit),
                "procedure": procedure.code,
                "on": on.isoformat(),
                "known_then": known,
                "known_now": acts.head(),
                "people": [_document(line) for line in lines],
            }
            self.stdout.write(json.dumps(document))
            return
        self.stdout.write(f"{places.path(unit)}, {procedure.name}, {on}, known then at act {known}.")
        for line in lines:
            self.stdout.write(f"{line.clinician.name}: {_words(line.then)} then, {_words(line.now)} now")


def _document(line: Line) -> dict[str, Any]:
    return {
        "clinician": line.clinician.staff_number,
        "unit": line.unit,
        "then": _answer(line.then),
        "now": _answer(line.now),
        "supervised_then": line.supervised_then,
        "supervised_now": line.supervised_now,
        "changed": line.changed,
    }


def _answer(at: AnswerAt | None) -> dict[str, str] | None:
    return {"may_insert": at.answer.value, "status": at.status.value} if at else None


def _words(at: AnswerAt | None) -> str:
    return at.answer.words if at else "not placed here"
