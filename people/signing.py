"""Signing: the secret is checked first, outside any transaction; the write then uses up what was shown.

How the components of a signature are asked (after 21 CFR 11.200(a)(1)): the identifier is the e-mail, the secret is the
account's own password. A session begins with both, on the sign-in page, which notes it in the session; a session that
did not begin so must give the e-mail with its first signature. Every signature gives the secret again: there is no
window in which a recent one counts. After the session ends, both are asked anew. On the command line `--as EMAIL` and
the secret are given together.

What may be signed is what was opened: a page that shows a record renders `seal(user, digest)` into its form, and the
view opens the seals that come back with `opened`; a digest that was never shown to this user has no seal.
"""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any

from django.conf import settings
from django.contrib.auth.hashers import check_password
from django.core import signing as stamps
from django.core.mail import send_mail
from django.db import connection
from django.db.models import F
from django.http import HttpRequest

from ledger.acts import Recording, instant
from ledger.canonical import canonical, digest
from people import clock
from people.models import Appointment, Place, Shown, User
from people.tree import tree

log = logging.getLogger("sited")

USABLE_FOR = timedelta(minutes=2)
FAILURES = 5
LOCKED_FOR = timedelta(minutes=15)
OPENED_FOR = timedelta(hours=12)
IDENTIFIED = "identified_by_email_and_secret"
_SALT = "people.signing.shown"


class NotConfirmed(RuntimeError):  # noqa: N818
    """What is to be signed was not shown, was signed already, or was confirmed too long ago. Nothing was written."""


class WrongSecret(Exception):  # noqa: N818
    """The secret, or the e-mail with it, is not this account's. The failure is counted."""

    def __init__(self, tries_left: int) -> None:
        self.tries_left = tries_left
        super().__init__("That is not your password. Nothing was signed.")


class Locked(Exception):  # noqa: N818
    """Too many wrong secrets: no signature before `until`."""

    def __init__(self, until: datetime) -> None:
        self.until = until
        super().__init__("Too many wrong passwords. Signing is closed for up to 15 minutes, and you were sent a mail.")


class SecretNotOwn(Exception):  # noqa: N818
    """The secret was set by somebody else, who could sign with it: it must be replaced first."""

    def __init__(self) -> None:
        super().__init__("Your password was set by somebody else. Choose your own before you sign.")


@dataclass(frozen=True)
class Confirmed:
    """A person who just proved who they are, and the digests that they were shown. Made by `confirm` alone."""

    user: User
    printed_name: str
    registration: str
    meaning: str
    confirmed_at: datetime
    shown: Mapping[str, int]

    @property
    def digests(self) -> tuple[str, ...]:
        return tuple(self.shown)

    def use(self, digest: str, rec: Recording, *, role: str = "") -> dict[str, Any]:
        """Sign what has this digest with the act that is open: once, within two minutes.

        Puts the signature into `rec.content` under the key "signature" and returns it: printed name, role,
        registration, meaning, moment of signing, digest, organisation and application. Raises NotConfirmed; the
        caller's transaction then ends.
        """
        if digest not in self.shown:
            raise NotConfirmed("This was not shown before it was signed.")
        if rec.actor is None or rec.actor.pk != self.user.pk:
            raise ValueError(f"act {rec.seq} is by {rec.actor!r}, the signature by account {self.user.pk}")
        if clock.now() - self.confirmed_at > USABLE_FOR:
            raise NotConfirmed("The password was given too long ago. Give it again.")
        if not Shown.objects.filter(pk=self.shown[digest], used=None).update(used_id=rec.seq):
            raise NotConfirmed("This was signed already.")
        signature = {
            "printed_name": self.printed_name,
            "role": role,
            "registration": self.registration,
            "meaning": self.meaning,
            "signed_at": instant(rec.recorded_at),
            "digest": digest,
            "organisation": Place.objects.known().filter(parent=None).values_list("name", flat=True).first() or "",
            "application": f"Sited {settings.SITED_VERSION}",
        }
        rec.content["signature"] = signature
        return signature


def digest_of(payload: Mapping[str, Any]) -> str:
    """The digest of what is shown and signed: SHA-256 over its canonical text."""
    return digest(canonical(dict(payload)))


def confirm(
    *,
    user: User,
    secret: str,
    meaning: str,
    digests: Sequence[str],
    request: HttpRequest | None = None,
    email: str | None = None,
) -> Confirmed:
    """Check the secret, and note what was shown. Call it before any transaction, so that a failure stays counted.

    With a `request` whose session did not begin with e-mail and secret, `email` must be given too. Raises WrongSecret,
    Locked, SecretNotOwn; ValueError for an empty meaning or nothing to sign; RuntimeError inside a transaction.
    """
    if not meaning.strip():
        raise ValueError("A signature needs a meaning.")
    if not digests or len(set(digests)) != len(digests):
        raise ValueError(f"A signature needs at least one digest and each once: {list(digests)}")
    if any(not getattr(block, "_from_testcase", False) for block in connection.atomic_blocks):
        raise RuntimeError("Confirm before the transaction: in one, a wrong secret would not stay counted.")
    fresh = check_secret(user, secret, identified=_identified(user, request, email))
    if not fresh.own_secret:
        raise SecretNotOwn
    if request is not None:
        request.session[IDENTIFIED] = True
    now = clock.now()
    rows = [Shown.objects.create(user=fresh, digest=each, meaning=meaning, confirmed_at=now) for each in digests]
    return Confirmed(
        user=fresh,
        printed_name=fresh.name,
        registration=fresh.registration,
        meaning=meaning,
        confirmed_at=now,
        shown=MappingProxyType({row.digest: row.pk for row in rows}),
    )


def seal(user: User, digest: str) -> str:
    """A mark to put into the form beside a record that is being shown to this user."""
    return stamps.dumps([user.pk, digest], salt=_SALT)


def opened(user: User, seals: Sequence[str]) -> list[str]:
    """The digests of the records that were shown to this user, from the seals that came back, each once.

    Raises NotConfirmed for a seal that is not ours, was given to somebody else, or is older than a working day.
    """
    found: dict[str, None] = {}
    for each in seals:
        try:
            owner, shown = stamps.loads(each, salt=_SALT, max_age=OPENED_FOR)
        except stamps.BadSignature:
            raise NotConfirmed("One of these was not opened, or too long ago. Open it and read it first.") from None
        if owner != user.pk:
            raise NotConfirmed("This was shown to somebody else. Open it and read it first.")
        found[shown] = None
    return list(found)


def needs_email(request: HttpRequest) -> bool:
    """Whether the next signature in this session must give the e-mail as well as the secret."""
    return not request.session.get(IDENTIFIED, False)


def _identified(user: User, request: HttpRequest | None, email: str | None) -> bool:
    if request is not None and request.user.pk != user.pk:
        raise ValueError(f"account {request.user.pk} asks, account {user.pk} would sign")
    if email is not None:
        return email.strip().casefold() == user.email.casefold()
    return request is None or not needs_email(request)


def check_secret(user: User, secret: str, *, identified: bool = True) -> User:
    """The account as it stands, if this is its secret. A failure is counted. Raises WrongSecret, Locked."""
    fresh = User.objects.get(pk=user.pk)
    now = clock.now()
    if not fresh.is_active:
        raise WrongSecret(0)
    if fresh.locked_until is not None and now < fresh.locked_until:
        log.warning("signature refused, locked", extra={"facts": {"user": fresh.pk}})
        raise Locked(fresh.locked_until)
    if not (check_password(secret, fresh.password) and identified):
        _count_failure(fresh, now)
    if fresh.failed_secrets or fresh.locked_until:
        User.objects.filter(pk=fresh.pk).update(failed_secrets=0, locked_until=None)
    return fresh


def _count_failure(user: User, now: datetime) -> None:
    User.objects.filter(pk=user.pk).update(failed_secrets=F("failed_secrets") + 1)
    failed = User.objects.values_list("failed_secrets", flat=True).get(pk=user.pk)
    log.warning("signature refused, wrong secret", extra={"facts": {"user": user.pk, "failures": failed}})
    if failed < FAILURES:
        raise WrongSecret(FAILURES - failed)
    until = now + LOCKED_FOR
    User.objects.filter(pk=user.pk).update(failed_secrets=0, locked_until=until)
    log.warning("signing locked", extra={"facts": {"user": user.pk, "until": instant(until)}})
    _tell(user)
    raise Locked(until)


def _tell(user: User) -> None:
    """Mail the owner, and the administrators whose appointment covers the whole register."""
    now = tree()
    admins = Appointment.objects.known().filter(role=Appointment.Role.ADMINISTRATOR, user__is_active=True)
    heads = [each for each in admins.select_related("user") if each.unit_id == (now.root if now else None)]
    to = {user.email} | {each.user.email for each in heads if each.holds_on(clock.today(now.zone(each.unit_id)))}
    try:
        for address in sorted(to):
            send_mail(
                "Sited: signing closed for 15 minutes",
                f"Five wrong passwords in a row were given to sign as {user.name}.\n\n"
                "Signing for this account is closed for 15 minutes. Nothing was signed.\n"
                "If that was not the owner of the account: change the password and tell your administrator.\n",
                None,
                [address],
            )
    except OSError:
        # The lock holds whether or not a mail can be sent.
        log.exception("mail not sent", extra={"facts": {"user": user.pk}})
