"""Invite the owner of an account: a link that works once, for 14 days."""

from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.urls import reverse

from people import accounts
from people.models import User
from people.problems import Problems


class Command(BaseCommand):
    help = "Invite the owner of an account. The link goes to the owner's mailbox, or with --print to this terminal."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("email", metavar="EMAIL")
        parser.add_argument("--print", action="store_true", dest="show", help="print the link instead of mailing it")
        parser.add_argument(
            "--at", default="", metavar="URL", help="where the register answers, such as https://sited.hospital.example"
        )

    def handle(self, *args: Any, email: str, show: bool, at: str, **options: Any) -> None:
        user = User.objects.filter(email__iexact=email.strip()).first()
        if user is None:
            raise CommandError("No account has this e-mail.", returncode=1)
        if show and accounts.must_be_mailed(user):
            raise CommandError(
                "This account has a password of its owner's, so the link goes to nobody but their mailbox: "
                "leave --print out.",
                returncode=1,
            )
        try:
            token = accounts.invite(actor=None, user=user)
        except Problems as problems:
            raise CommandError(str(problems), returncode=1) from None
        url = (at or _here()).rstrip("/") + reverse("invitation", args=[token])
        if show:
            self.stdout.write(url)
        elif accounts.mail_invitation(user, url):
            self.stderr.write(f"Mailed to {user.email}.")
        else:
            raise CommandError("No mail could be sent: set EMAIL_HOST, or use --print.", returncode=1)


def _here() -> str:
    host = settings.ALLOWED_HOSTS[0]
    return f"https://{host}" if settings.PRODUCTION else f"http://{host}:8000"
