"""Accounts: one for each person and never reused; opened, entered by an invitation, ended, not deleted."""

import hashlib
import logging
import secrets
from datetime import timedelta
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.password_validation import validate_password
from django.contrib.sessions.models import Session
from django.core.exceptions import ValidationError
from django.core.mail import send_mail
from django.core.validators import validate_email
from django.db import transaction
from django.db.models import Exists, OuterRef, Q, QuerySet
from django.http import Http404

from ledger.acts import Recording, recording
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.models import Appointment, Clinician, Invitation, Placement, Profession, User
from people.problems import Problem, Problems, problem
from people.signing import Locked, WrongSecret, check_secret

log = logging.getLogger("sited")

VALID_FOR = timedelta(days=14)


class InvitationVoid(Exception):  # noqa: N818
    """No such invitation, or it was used, replaced by a later one, or older than 14 days."""


def open_account(
    *,
    actor: User,
    email: str,
    name: str,
    profession: str = Profession.OTHER,
    registration: str = "",
    clinician: Clinician | None = None,
) -> User:
    """Open an account without a secret; `invite` lets its owner in. Raises NotPermitted, Problems."""
    access = access_of(actor)
    if not access.may_somewhere(Right.ADMINISTER):
        raise NotPermitted(f"{actor.pk} administers no unit")
    if clinician is not None and not access.in_scope().filter(pk=clinician.pk).exists():
        raise NotPermitted(f"clinician {clinician.pk} is out of scope")
    with transaction.atomic(), recording(actor=actor, kind="account.opened") as rec:
        user = add_account(
            rec, email=email, name=name, profession=profession, registration=registration, clinician=clinician
        )
        rec.subject = user.uuid
        rec.content |= {"profession": str(profession), "clinician": str(clinician.uuid) if clinician else None}
        rec.personal = {"email": user.email, "name": user.name, "registration": user.registration}
        return user


def add_account(
    rec: Recording,
    *,
    email: str,
    name: str,
    profession: str = Profession.OTHER,
    registration: str = "",
    clinician: Clinician | None = None,
) -> User:
    """The same within an act that is already open: an import, or the first day."""
    email = User.objects.normalize_email(email.strip())
    name = " ".join(name.split())
    if profession not in Profession.values:
        raise ValueError(f"profession {profession!r} is none of {', '.join(Profession.values)}")
    found = []
    if not name:
        found.append(Problem("name", "Give the name."))
    try:
        validate_email(email)
    except ValidationError:
        found.append(Problem("email", "Give a whole e-mail address, such as ana@hospital.example."))
    if User.objects.filter(email__iexact=email).exists():
        found.append(Problem("email", "An account with this e-mail exists or existed; it is never given to another."))
    if clinician is not None and clinician.user_id is not None:
        found.append(Problem("clinician", f"{clinician.name} has an account."))
    if found:
        raise Problems(found)
    user = User(email=email, name=name, profession=profession, registration=registration.strip())
    user.set_unusable_password()
    user.save(force_insert=True)
    if clinician is not None:
        Clinician.objects.filter(pk=clinician.pk, user=None).update(user=user)
        clinician.user = user
        stale.touch([clinician.pk], cause=rec.kind, act=rec.seq)
    return user


def change_account(*, actor: User, user: User, name: str, profession: str, registration: str) -> None:
    """Change what future signatures print. What was signed keeps the old. Raises NotPermitted, Problems."""
    _require_over(access_of(actor), user)
    if profession not in Profession.values:
        raise ValueError(f"profession {profession!r} is none of {', '.join(Profession.values)}")
    name, registration = " ".join(name.split()), registration.strip()
    if not name:
        raise problem("name", "Give the name.")
    with transaction.atomic():
        old = User.objects.select_for_update().get(pk=user.pk)
        if (old.name, old.profession, old.registration) == (name, profession, registration):
            raise problem("", "Nothing would change.")
        with recording(actor=actor, kind="account.changed", subject=user.uuid) as rec:
            rec.content |= {"old": str(old.profession), "new": str(profession)}
            rec.personal = {
                "old": {"name": old.name, "registration": old.registration},
                "new": {"name": name, "registration": registration},
            }
            User.objects.filter(pk=user.pk).update(name=name, profession=profession, registration=registration)


def invite(*, actor: User | None, user: User) -> str:
    """Make a one-time invitation and return its token, which is stored nowhere: only its digest is.

    Earlier invitations of this account end. Where the owner already has a secret of their own, that one goes on until
    the invitation is accepted, and the token is for their own mailbox alone (`must_be_mailed`): whoever held it could
    sign as them. No actor means the register's own command line. Raises NotPermitted, Problems.
    """
    if actor is not None:
        _require_over(access_of(actor), user)
    if not user.is_active:
        raise problem("user", f"{user.name}'s account has ended.")
    token = secrets.token_urlsafe(32)
    with transaction.atomic():
        User.objects.select_for_update().get(pk=user.pk)
        with recording(actor=actor, kind="account.invited", subject=user.uuid) as rec:
            now = rec.recorded_at
            Invitation.objects.filter(user=user, used_at=None, expires_at__gt=now).update(expires_at=now)
            Invitation.objects.create(
                user=user, token_digest=_digest(token), made_by_id=rec.seq, expires_at=now + VALID_FOR
            )
            rec.content |= {"again": user.own_secret}
    return token


def mail_invitation(user: User, url: str) -> bool:
    """Send the link to the owner's own mailbox; False where no mail could be sent."""
    if not settings.EMAIL_HOST and settings.EMAIL_BACKEND.endswith("dummy.EmailBackend"):
        return False
    text = (
        f"{user.name},\n\nyou are invited to Sited, the register of who may site a peripheral cannula.\n"
        f"Set your own password within 14 days, once:\n\n{url}\n\n"
        "If you did not expect this, tell your administrator. Until the link is used, nothing changes.\n"
    )
    try:
        return send_mail("Sited: your invitation", text, None, [user.email]) == 1
    except OSError:
        log.exception("mail not sent", extra={"facts": {"user": user.pk}})
        return False


def must_be_mailed(user: User) -> bool:
    """Whether an invitation of this account may go to nobody but its owner's mailbox."""
    return user.own_secret


def invited(token: str) -> User:
    """Whose invitation this is. Raises InvitationVoid."""
    return _invitation(token).user


def accept(*, token: str, secret: str) -> User:
    """Set the owner's own secret, once. Raises InvitationVoid, Problems."""
    user = invited(token)
    _check_new_secret(user, secret, field="secret")
    hashed = make_password(secret)  # slow on purpose, so before the transaction
    with transaction.atomic():
        user = User.objects.select_for_update().get(pk=user.pk)
        row = _invitation(token)
        with recording(actor=user, kind="account.accepted", subject=user.uuid) as rec:
            Invitation.objects.filter(pk=row.pk).update(used_at=rec.recorded_at)
            rec.content |= {"again": user.own_secret}
            _set_secret(user, hashed)
    end_sessions(user)
    return User.objects.get(pk=user.pk)


def change_secret(*, user: User, old: str, new: str) -> User:
    """Replace the secret by one's own, and end all sessions: the caller begins a new one. Raises Problems."""
    try:
        check_secret(user, old)
    except (WrongSecret, Locked) as error:
        raise problem("old", str(error)) from None
    if check_password(new, user.password):
        raise problem("new", "That is the password that you have. Choose another.")
    _check_new_secret(user, new, field="new")
    _set_secret(user, make_password(new))
    end_sessions(user)
    log.info("secret changed", extra={"facts": {"user": user.pk}})
    return User.objects.get(pk=user.pk)


def end_account(*, actor: User, user: User) -> None:
    """Let nobody in with this account any more, from the next request on. Raises NotPermitted, Problems."""
    if actor.pk == user.pk:
        raise NotPermitted(f"{actor.pk} may not end their own account")
    _switch(actor, user, active=False, kind="account.ended", already=f"{user.name}'s account has ended already.")
    end_sessions(user)


def restore_account(*, actor: User, user: User) -> None:
    """Let the same person in again, by a new invitation. Raises NotPermitted, Problems."""
    _switch(actor, user, active=True, kind="account.restored", already=f"{user.name}'s account is open.")


def end_sessions(user: User) -> None:
    """Sign this user out everywhere."""
    for session in Session.objects.iterator():
        if session.get_decoded().get("_auth_user_id") == str(user.pk):
            session.delete()


def administered(access: Access) -> QuerySet[User]:
    """The accounts that this user may administer.

    Those all of whose units are theirs: where the account's owner is, or will be, appointed or placed, else where they
    once were. An account without any unit yet is anybody's who administers somewhere.
    """
    reach = access.units_for(Right.ADMINISTER)
    if not reach:
        return User.objects.none()
    appointed = Appointment.objects.known().filter(user=OuterRef("pk"))
    placed = Placement.objects.known().filter(clinician__user=OuterRef("pk"))
    still = Q(until_day=None) | Q(until_day__gt=access.on)
    is_somewhere = Exists(appointed.filter(still)) | Exists(placed.filter(still))
    is_elsewhere = _outside(appointed.filter(still), reach) | _outside(placed.filter(still), reach)
    was_elsewhere = _outside(appointed, reach) | _outside(placed, reach)
    return User.objects.filter(~is_elsewhere).filter(is_somewhere | ~was_elsewhere)


def _outside(rows: QuerySet[Any], units: frozenset[int]) -> Exists:
    return Exists(rows.exclude(unit__in=units))


def get_account(access: Access, uuid: UUID | str) -> User:
    """This account, for a page of set-up. Raises Http404 if it is not one to administer."""
    found = administered(access).filter(uuid=uuid).select_related("clinician").first()
    if found is None:
        raise Http404("No account to administer has this identifier.")
    return found


def may_administer(access: Access, user: User) -> bool:
    return administered(access).filter(pk=user.pk).exists()


def _require_over(access: Access, user: User) -> None:
    if not may_administer(access, user):
        raise NotPermitted(f"{access.user.pk} does not administer account {user.pk}")


def _switch(actor: User, user: User, *, active: bool, kind: str, already: str) -> None:
    _require_over(access_of(actor), user)
    with transaction.atomic():
        if User.objects.select_for_update().get(pk=user.pk).is_active == active:
            raise problem("user", already)
        with recording(actor=actor, kind=kind, subject=user.uuid) as rec:
            User.objects.filter(pk=user.pk).update(is_active=active)
            stale.touch(cause=rec.kind, act=rec.seq)


def _invitation(token: str) -> Invitation:
    row = Invitation.objects.select_related("user").filter(token_digest=_digest(token)).first()
    if row is None or row.used_at is not None or row.expires_at <= clock.now() or not row.user.is_active:
        raise InvitationVoid
    return row


def _check_new_secret(user: User, secret: str, *, field: str) -> None:
    try:
        validate_password(secret, user)
    except ValidationError as error:
        raise Problems([Problem(field, text) for text in error.messages]) from None


def _set_secret(user: User, hashed: str) -> None:
    User.objects.filter(pk=user.pk).update(password=hashed, own_secret=True, failed_secrets=0, locked_until=None)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
