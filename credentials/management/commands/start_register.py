"""Open an empty register: the group, the first account, and examples to be approved locally."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.urls import reverse

from credentials.management.commands.review import as_day
from credentials.starting import start_register
from people.problems import Problems


class Command(BaseCommand):
    help = "Open an empty register: the group, the first account (administrator and educator), examples if wanted."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--group", required=True, metavar="NAME", help="the name of the group or hospital")
        parser.add_argument("--email", required=True, metavar="EMAIL", help="of the first account")
        parser.add_argument(
            "--name", default="", metavar="NAME", help="the owner's printed name (else from the e-mail)"
        )
        parser.add_argument("--zone", default="Australia/Adelaide", metavar="ZONE", help="time zone of the group")
        parser.add_argument(
            "--example",
            action="store_true",
            help="add procedures, and an example programme and rules for each, as proposed: they wait for approval",
        )

        parser.add_argument(
            "--from",
            dest="example_from",
            metavar="DATE",
            help="the day from which the examples are in effect once approved, so that they judge what sheets of the "
            "past bring; without it today",
        )

    def handle(self, *args: Any, group: str, email: str, name: str, zone: str, example: bool, **options: Any) -> None:
        if options["example_from"] and not example:
            raise CommandError("--from is the day of the examples: give it with --example.", returncode=2)
        example_from = as_day(options["example_from"]) if options["example_from"] else None
        printed = name or email.partition("@")[0].replace(".", " ").replace("_", " ").title()
        try:
            started = start_register(
                group=group, email=email, name=printed, zone=zone, example=example, example_from=example_from
            )
        except Problems as problems:
            raise CommandError(str(problems), returncode=1) from None
        self.stdout.write(f"{group} is open. {started.user.email} sets a password here, once, within 14 days:")
        self.stdout.write(reverse("invitation", args=[started.token]))
        if example:
            self.stdout.write(
                "Example programmes and rules wait for approval by an educator: approve --list shows them."
            )
