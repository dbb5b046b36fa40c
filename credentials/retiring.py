"""A checklist that proves wrong is taken out of use at once by one person; another confirms it within seven days."""

from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction

from audits.checklists import checklists_known
from audits.freetext import text_problems
from audits.models import Checklist, Retirement
from credentials.proposing import AlreadyDecided, document_digest, role_words
from ledger.acts import recording
from people import stale
from people.access import Access, NotPermitted, Right, require
from people.clock import in_words, today
from people.models import Unit
from people.problems import Problems, problem
from people.signing import Confirmed, digest_of
from people.tree import tree

DAYS = 7
RETIRED, DECIDED = "taken out of use", "decided on taking it out of use"


@dataclass(frozen=True)
class Waiting:
    """A retirement that another person should decide, and whether this user may."""

    retirement: Retirement
    path: str
    last_day: date
    may: bool


def retire(*, signer: Confirmed, checklist: Checklist, reason: str) -> Retirement:
    """Take a version out of use from today; nothing observed with it changes. The signed digest is the document's.

    Only a version in force or ahead. Unless another person confirms it, it binds again after seven days. Raises
    NotPermitted, Problems, AlreadyDecided.
    """
    require(signer.user, Right.KEEP_RULES, checklist.unit_id)
    if found := text_problems("reason", reason, longest=500, asked="Say what is wrong with it."):
        raise Problems(found)
    with transaction.atomic():
        Unit.objects.select_for_update().get(pk=checklist.unit_id)
        row = Checklist.objects.select_related("unit", "procedure").get(pk=checklist.pk)
        now = today(tree().zone(row.unit_id))
        if row.approved_id is None:
            raise AlreadyDecided("Nobody approved this version: it binds nobody.")
        known = checklists_known()
        if known.is_retired(row, now):
            raise AlreadyDecided("This version is out of use already.")
        if row.effective_on <= now and known.binding(row.procedure_id, [row.unit_id], now) != row:
            raise AlreadyDecided("A later version replaced this one: it binds nobody.")
        with recording(actor=signer.user, kind="checklist.retired", subject=row.uuid) as rec:
            signer.use(document_digest(row), rec, role=role_words(signer.user, row.unit_id))
            made = Retirement.objects.create(
                checklist=row,
                reason=reason.strip(),
                by=signer.user,
                from_day=now,
                lapses_on=now + timedelta(days=DAYS),
                known_from_id=rec.seq,
            )
            rec.content |= {"from": now.isoformat(), "lapses_on": made.lapses_on.isoformat()}
            rec.personal = {"reason": made.reason}
            stale.touch(cause=rec.kind, act=rec.seq)
            return made


def retirement_digest(row: Retirement) -> str:
    """What whoever decides signs: the version and why it is out of use."""
    return digest_of(
        {
            "retirement_of": str(row.checklist.uuid),
            "document": document_digest(row.checklist),
            "reason": row.reason,
            "by": str(row.by.uuid),
            "from": row.from_day.isoformat(),
        }
    )


def decide_retirement(*, signer: Confirmed, retirement: Retirement, confirm: bool) -> Retirement:
    """Confirm that the version stays out of use, or put it back in force from today.

    Raises NotPermitted for who retired it, AlreadyDecided, Problems once the seven days are over.
    """
    require(signer.user, Right.KEEP_RULES, retirement.checklist.unit_id)
    with transaction.atomic():
        Unit.objects.select_for_update().get(pk=retirement.checklist.unit_id)
        row = Retirement.objects.select_for_update(of=("self",)).select_related("checklist__unit").get(pk=retirement.pk)
        if row.decided_id is not None:
            raise AlreadyDecided("This was decided before.")
        if row.by_id == signer.user.pk:
            raise NotPermitted("Somebody else than who took a version out of use decides on it.")
        now = today(tree().zone(row.checklist.unit_id))
        if now >= row.lapses_on:
            raise problem("", f"Nobody confirmed it by {in_words(last_day(row))}: the version is in force again.")
        with recording(actor=signer.user, kind="checklist.retirement_decided", subject=row.checklist.uuid) as rec:
            signer.use(retirement_digest(row), rec, role=role_words(signer.user, row.checklist.unit_id))
            Retirement.objects.filter(pk=row.pk).update(
                decided_id=rec.seq, decided_by=signer.user, decided_on=now, confirmed=confirm
            )
            rec.content |= {"confirmed": confirm, "on": now.isoformat()}
            stale.touch(cause=rec.kind, act=rec.seq)
    retirement.refresh_from_db()
    return retirement


def last_day(row: Retirement) -> date:
    """The last day on which another person can confirm it."""
    return row.lapses_on - timedelta(days=1)


def open_retirement(checklist: Checklist, on: date) -> Retirement | None:
    """The retirement of this version that waits for another person, if there is one."""
    rows = Retirement.objects.known().filter(checklist=checklist, decided=None, lapses_on__gt=on)
    return rows.select_related("checklist__unit", "checklist__procedure", "by").first()


def waiting(access: Access) -> list[Waiting]:
    """The retirements at this user's units that wait, the first to lapse first."""
    rows = Retirement.objects.known().filter(
        decided=None, lapses_on__gt=access.on, checklist__unit__in=access.units_for(Right.KEEP_RULES)
    )
    rows = rows.select_related("checklist__procedure", "by").order_by("lapses_on", "pk")
    return [
        Waiting(row, access.tree.path(row.checklist.unit_id), last_day(row), row.by_id != access.user.pk)
        for row in rows
    ]
