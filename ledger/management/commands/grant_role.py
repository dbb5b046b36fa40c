"""Give the database role that runs the register what it needs, and nothing more."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, connection, transaction

from ledger.roles import grants


class Command(BaseCommand):
    help = "On PostgreSQL, as the role that owns the tables: let ROLE run the register, without owning it."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("role", help="a role that exists, and owns nothing")

    def handle(self, *args: Any, **options: Any) -> None:
        role = options["role"]
        if connection.vendor != "postgresql":
            raise CommandError(
                "Only PostgreSQL has roles; a SQLite file belongs to whoever may write it.", returncode=2
            )
        try:
            with transaction.atomic(), connection.cursor() as cursor:
                for statement in grants(role, connection):
                    cursor.execute(statement)
        except DatabaseError as error:
            raise CommandError(f"Nothing was granted to {role!r}: {error}") from error
        self.stdout.write(f"{role} may run this register. Run this again after each migrate.")
