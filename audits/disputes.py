"""Saying that an entry or a statement is wrong. While nobody has decided it, the entry counts for less."""

from datetime import timedelta

from django.db import transaction

from audits.access import is_own
from audits.countersigning import standing_version
from audits.freetext import text_problems
from audits.limits import limits
from audits.logbook import touch
from audits.models import Dispute, Insertion, Statement
from audits.outcomes import refresh
from ledger.acts import Recording, recording
from people import clock
from people.access import NotPermitted, Right, access_of
from people.models import Clinician, User
from people.problems import Problems, problem
from people.spans import lock

About = Dispute.About
LONGEST_REASON = 300


def open_dispute(*, actor: User, insertion: Insertion, about: str, reason: str) -> Dispute:
    """Dispute who inserted, the result, or the statement that stands.

    The inserter disputes one's own entry, a supervisor one's own statement, an educator of the unit anything there.
    Raises NotPermitted, Problems, AlreadyDecided if the version no longer stands or is disputed already.
    """
    if about not in About.values:
        raise ValueError(f"about {about!r} is none of {', '.join(About.values)}")
    with transaction.atomic():
        lock(Clinician(pk=insertion.clinician_id))
        with recording(actor=actor, kind="dispute.opened", subject=insertion.uuid) as rec:
            version = standing_version(insertion.pk)
            statement = Statement.objects.known().filter(insertion=version).first()
            _require_may_dispute(actor, version, about, statement)
            found = text_problems("reason", reason, longest=LONGEST_REASON, asked="Say what is wrong.")
            if found:
                raise Problems(found)
            if about == About.STATEMENT and statement is None:
                raise problem("about", "Nobody has stated anything about this entry.")
            today = clock.today(version.zone)
            days = limits([version.clinician_id]).days("dispute_days", version, on=today)
            made = Dispute.objects.create(
                insertion=version,
                about=about,
                reason=reason.strip(),
                by=actor,
                opened_on=today,
                limit_on=today + timedelta(days=days),
                known_from_id=rec.seq,
            )
            rec.content |= {"about": str(about), "digest": version.digest, "limit_on": made.limit_on.isoformat()}
            rec.personal = {"reason": made.reason}
            _settle(rec, version)
            return made


def take_back(*, actor: User, dispute: Dispute) -> Dispute:
    """Take one's own dispute back: the entry counts as before. Raises NotPermitted, Problems if it was decided."""
    if dispute.by_id != actor.pk:
        raise NotPermitted(f"dispute {dispute.pk} is not by {actor.pk}")
    version = dispute.insertion
    with transaction.atomic():
        lock(Clinician(pk=version.clinician_id))
        with recording(actor=actor, kind="dispute.taken_back", subject=version.uuid) as rec:
            if not Dispute.objects.known().filter(pk=dispute.pk).update(known_until_id=rec.seq, decided_id=rec.seq):
                raise problem("", "It was decided meanwhile.")
            _settle(rec, version)
            dispute.refresh_from_db()
            return dispute


def _require_may_dispute(actor: User, version: Insertion, about: str, statement: Statement | None) -> None:
    by_supervisor = about == About.STATEMENT and statement is not None and statement.by_id == actor.pk
    if is_own(actor, version) or by_supervisor or access_of(actor).may(Right.DECIDE, version.unit_id):
        return
    raise NotPermitted(f"{actor.pk} may not dispute {about} of insertion {version.uuid}")


def _settle(rec: Recording, version: Insertion) -> None:
    refresh([version.uuid])
    touch([(version.clinician_id, version.procedure_id)], rec)
