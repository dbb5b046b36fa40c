"""Who acts on the command line: the account named by --as, and the secret when something is signed."""

import getpass
import sys
from collections.abc import Sequence

from django.core.management.base import CommandError

from people.models import User
from people.signing import Confirmed, Locked, SecretNotOwn, WrongSecret, confirm


def account(email: str) -> User:
    """The account with this e-mail. Ends the command with 1 if there is none that is open."""
    found = User.objects.filter(email__iexact=email.strip(), is_active=True).first()
    if found is None:
        raise CommandError("No open account has this e-mail.", returncode=1)
    return found


def secret(user: User, *, what: str) -> str:
    """Ask for the account's password at the terminal, or read the first line of standard input where it is none."""
    if sys.stdin.isatty():
        return getpass.getpass(f"Password of {user.email}, to sign {what}: ")
    return sys.stdin.readline().rstrip("\r\n")


def signed(user: User, given: str, *, meaning: str, digests: Sequence[str]) -> Confirmed:
    """Confirm with this secret. Ends the command with 1 if it is not the account's."""
    try:
        return confirm(user=user, secret=given, meaning=meaning, digests=digests)
    except (WrongSecret, Locked, SecretNotOwn) as refusal:
        raise CommandError(str(refusal), returncode=1) from None
