"""Is every record of this register still what was recorded?"""

import json
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection

from ledger.models import Act
from ledger.verify import Checkpoint, verify


class Command(BaseCommand):
    help = (
        "Read the whole chain of acts and say whether it holds. Exit status 0: it does; 1: it does not; 2: wrong use."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
        parser.add_argument(
            "--expect",
            nargs=2,
            metavar=("SEQ", "HASH"),
            help="a number and hash that an earlier run printed and somebody kept elsewhere: finds a tail cut off",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        expect = _checkpoint(options["expect"])
        if Act._meta.db_table not in connection.introspection.table_names():
            raise CommandError("This database holds no ledger: name the right one, or run migrate.")
        report = verify(expect=expect)
        for problem in report.problems:
            where = f"act {problem.seq}: " if problem.seq is not None else ""
            self.stderr.write(f"{where}{problem.reason}")
        if options["json"]:
            answer = {
                "acts": report.acts,
                "head": report.head,
                "holds": report.holds,
                "first_bad": report.first_bad,
            }
            self.stdout.write(json.dumps(answer))
        elif report.holds:
            self.stdout.write(f"The ledger holds: {report.acts} acts. Keep this elsewhere: {report.acts} {report.head}")
        else:
            self.stdout.write(f"The ledger does not hold. Acts that do, from the first: {report.acts}.")
        if not report.holds:
            sys.exit(1)


def _checkpoint(given: list[str] | None) -> Checkpoint | None:
    if given is None:
        return None
    seq, hash_ = given
    if not seq.isdecimal() or int(seq) < 1 or len(hash_) != 64 or set(hash_) - set("0123456789abcdef"):
        raise CommandError(
            f"--expect takes a number from 1 and 64 hexadecimal digits, not {seq!r} {hash_!r}", returncode=2
        )
    return Checkpoint(seq=int(seq), hash=hash_)
