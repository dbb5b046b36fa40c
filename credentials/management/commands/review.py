"""Judge everybody anew, store the standings, raise flags; or look at another day, which stores nothing."""

import json
import sys
from datetime import date
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from audits.models import Procedure
from credentials.review import Review, check, review_on, review_today
from people.models import Clinician


class Command(BaseCommand):
    help = "Judge every standing anew from the evidence. For today: store them and raise flags."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--on", metavar="DATE", help="another day, from what is known now; stores and raises nothing"
        )
        parser.add_argument(
            "--check", action="store_true", help="only compare what is stored with what the evidence gives"
        )
        parser.add_argument("--json", action="store_true", help="print one document and nothing else")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["check"]:
            self._check(as_json=options["json"])
            return
        done = review_on(as_day(options["on"])) if options["on"] else review_today()
        if options["json"]:
            self.stdout.write(json.dumps(done.document()))
        else:
            self._tell(done)

    def _check(self, *, as_json: bool) -> None:
        wrong = check()
        if as_json:
            numbers = dict(Clinician.objects.values_list("pk", "staff_number"))
            codes = dict(Procedure.objects.values_list("pk", "code"))
            found = [{"clinician": numbers[person], "procedure": codes[procedure]} for person, procedure in wrong]
            self.stdout.write(json.dumps({"holds": not wrong, "differences": found}))
        elif wrong:
            self.stdout.write(f"{len(wrong)} stored standings are not what the evidence gives: run review.")
        else:
            self.stdout.write("Every stored standing is what the evidence gives.")
        if wrong:
            sys.exit(1)

    def _tell(self, done: Review) -> None:
        self.stdout.write(f"{done.clinicians} clinicians, as known at act {done.known}:")
        for status, number in done.standings.items():
            self.stdout.write(f"  {status}: {number}")
        for each in done.findings:
            self.stdout.write(f"  {each.clinician} {each.procedure}: {each.rule}: {each.figure} ({each.threshold})")
        self.stdout.write(f"{done.flags_raised} flags raised in {done.seconds:.1f} s.")


def as_day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{text!r} is no date: write it as 2026-03-01.", returncode=2) from None
