"""A case handed on: a flag shown to somebody who would not see it, so that they can help to decide. It decides nothing.

An educator refers it to an educator or manager in charge of where the person works; the person may share it as well,
with a supervisor too. Whoever it is shown to sees the page of this flag and its figures, may write there, and their
looking is kept as everybody's is. It holds until somebody takes it back, and only while they have a role there.
"""

from django.db import transaction
from django.db.models import Q, QuerySet

from audits.freetext import text_problems
from credentials.models import Flag, Referral
from ledger.acts import recording
from people.access import Access, NotPermitted, Right, Role, access_of
from people.models import Appointment, User
from people.problems import Problem, Problems, problem
from people.tree import tree

LONGEST_REASON = 500
BY_EDUCATORS = (Role.EDUCATOR, Role.MANAGER)
BY_ONESELF = (Role.EDUCATOR, Role.MANAGER, Role.ASSESSOR, Role.SUPERVISOR)


def refer(*, actor: User, flag: Flag, to: User, reason: str) -> Referral:
    """Show this case to somebody. Raises NotPermitted, Problems."""
    access = access_of(actor)
    _require(access, flag)
    found = text_problems("reason", reason, longest=LONGEST_REASON, asked="Say what you ask of them.")
    if not may_be_asked(access, flag).filter(pk=to.pk).exists():
        said = f"{to.name} is not in charge where {flag.clinician.name} works, or sees it already."
        found.append(Problem("to", said))
    if found:
        raise Problems(found)
    with transaction.atomic():
        Flag.objects.select_for_update().get(pk=flag.pk)
        if Referral.objects.known().filter(flag=flag, to=to).exists():
            raise problem("to", f"{to.name} sees this case already.")
        with recording(actor=actor, kind="referral.made", subject=flag.uuid) as rec:
            made = Referral(flag=flag, to=to, by=actor, reason=reason.strip(), known_from_id=rec.seq)
            made.save(force_insert=True)
            rec.content |= {"referral": str(made.uuid), "to": str(to.uuid)}
            rec.personal = {"reason": made.reason}
            return made


def end_referral(*, actor: User, referral: Referral) -> None:
    """Take it back: what one referred or shared oneself; an educator of the person what educators referred.

    Raises NotPermitted, Problems.
    """
    if not may_end(access_of(actor), referral):
        raise NotPermitted(f"{actor.pk} may not take back referral {referral.uuid}")
    with transaction.atomic():
        row = Referral.objects.known().select_for_update().filter(pk=referral.pk).first()
        if row is None:
            raise problem("", "Somebody took this back before you.")
        with recording(actor=actor, kind="referral.ended", subject=referral.flag.uuid) as rec:
            rec.content["referral"] = str(referral.uuid)
            Referral.objects.filter(pk=row.pk).update(known_until_id=rec.seq)


def may_refer(access: Access, flag: Flag) -> bool:
    return access.is_self(flag.clinician) or access.may_about(Right.DECIDE, flag.clinician)


def may_end(access: Access, referral: Referral) -> bool:
    if referral.by_id == access.user.pk:
        return True
    shared = referral.by_id == referral.flag.clinician.user_id
    return not shared and access.may_about(Right.DECIDE, referral.flag.clinician)


def may_be_asked(access: Access, flag: Flag) -> QuerySet[User]:
    """To whom this user may show the case: those in charge of where the person works, and above, by their role.

    The person, whoever asks, and those to whom it is shown already are left out.
    """
    roles = BY_ONESELF if access.is_self(flag.clinician) else BY_EDUCATORS
    now = tree()
    at = {each.unit_id for each in flag.clinician.placements.known().on(access.on) if each.unit_id in now}
    above = {unit for each in at for unit in now.above(each)}
    rows = Appointment.objects.known().on(access.on).filter(role__in=roles, unit__in=above)
    shown = Referral.objects.known().filter(flag=flag).values("to")
    people = User.objects.filter(pk__in=rows.values("user"), is_active=True).exclude(pk__in=shown)
    return people.exclude(Q(pk=access.user.pk) | Q(pk=flag.clinician.user_id or 0)).order_by("name", "pk")


def open_referrals(flag: Flag) -> list[Referral]:
    """To whom this case is shown now, oldest first."""
    rows = Referral.objects.known().filter(flag=flag)
    return list(rows.select_related("to", "by", "flag__clinician").order_by("pk"))


def referred_to(access: Access) -> QuerySet[Referral]:
    """The cases shown to this user: only while they have a role where the person works."""
    rows = Referral.objects.known().filter(to=access.user, flag__clinician__in=access.clinicians_for(Right.PROGRESS))
    return rows.select_related("flag__clinician", "flag__procedure", "by").order_by("pk")


def _require(access: Access, flag: Flag) -> None:
    if not may_refer(access, flag):
        raise NotPermitted(f"{access.user.pk} may not refer flag {flag.uuid}")
