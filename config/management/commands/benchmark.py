"""Measure every job against its floor and the plain way."""

import json
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from config import benchmark


class Command(BaseCommand):
    help = (
        "Measure how fast the work is done, against the least that could be needed and the plain way, in one run. "
        "Exit status 0: every goal is met and every answer agrees; 1: not."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="print one JSON document and nothing else")

    def handle(self, *args: Any, **options: Any) -> None:
        rows = []
        for job in benchmark.jobs():
            row = benchmark.measure(job)
            rows.append(row)
            if not options["json"]:
                self.stdout.write(benchmark.told(row))
        if options["json"]:
            self.stdout.write(json.dumps(benchmark.document(rows)))
        else:
            on = benchmark.machine()
            self.stdout.write(
                f"Python {on['python']}, {on['system']}, {on['processors']} processors, load {on['load']}. "
                f"Medians of {benchmark.ROUNDS} interleaved rounds."
            )
        if not all(row.holds for row in rows):
            sys.exit(1)
