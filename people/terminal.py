"""Signing on the command line: `--as EMAIL`, and the secret from the terminal, or from standard input if it is none."""

import getpass
import sys
from collections.abc import Sequence

from django.core.management.base import CommandError

from people.models import User
from people.signing import Confirmed, Locked, SecretNotOwn, WrongSecret, confirm


def user_of(email: str) -> User:
    """The active account with this e-mail. Raises CommandError, exit 1."""
    user = User.objects.filter(email__iexact=email.strip(), is_active=True).first()
    if user is None:
        raise CommandError("No account in use has this e-mail.", returncode=1)
    return user


def ask_secret() -> str:
    """The secret, asked for without an echo, or the first line of standard input where that is no terminal."""
    if sys.stdin.isatty():
        return getpass.getpass("Password: ")
    return sys.stdin.readline().removesuffix("\n").removesuffix("\r")


def signer(*, email: str, meaning: str, digests: Sequence[str], secret: str | None = None) -> Confirmed:
    """Ask whoever runs the command for their secret, and confirm. Raises CommandError, exit 1, where it is refused."""
    user = user_of(email)
    try:
        return confirm(user=user, secret=ask_secret() if secret is None else secret, meaning=meaning, digests=digests)
    except (WrongSecret, Locked, SecretNotOwn) as refusal:
        raise CommandError(str(refusal), returncode=1) from None
