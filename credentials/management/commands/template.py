"""An empty workbook to fill in, whose headings the imports know."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from credentials.sheet_kinds import KINDS
from sheets.template import write_template


class Command(BaseCommand):
    help = "Write an empty sheet of a kind: a heading for each field, lists to choose from, explanations."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("kind", choices=sorted(KINDS))
        parser.add_argument("file", metavar="FILE.xlsx")

    def handle(self, *args: Any, kind: str, file: str, **options: Any) -> None:
        found = KINDS[kind]
        path = Path(file)
        if path.suffix.casefold() != ".xlsx":
            raise CommandError("The file's name must end in .xlsx.", returncode=2)
        if path.exists():
            raise CommandError(f"{file} is there already: give another name.", returncode=1)
        try:
            with path.open("xb") as stream:
                write_template(stream, found.fields, title=found.title, notes=found.notes)
        except OSError as error:
            raise CommandError(f"{file} cannot be written: {error.strerror}.", returncode=2) from None
        self.stdout.write(f"{file}: {len(found.fields)} columns.")
