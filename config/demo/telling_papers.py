"""Papers: a certificate that was given out and holds, one that was lost and revoked, a logbook that was taken away."""

from audits.calendar import add_months
from config.demo.doors import Doors
from config.demo.groundplan import DOMAIN
from config.demo.plan import Plan
from config.demo.stories import STORIES
from credentials.models import Certificate
from credentials.papers import certificates, making

HOLDS, LOST = "reinstated", "plan_done"


def tell(plan: Plan) -> None:
    holds, lost = STORIES[HOLDS].number, STORIES[LOST].number
    plan.turn(plan.ago(9), lambda doors: _give(doors, holds))
    plan.turn(plan.ago(8), lambda doors: _give(doors, lost))
    plan.turn(plan.ago(7), lambda doors: _take(doors, holds, plan))
    plan.turn(plan.ago(3), lambda doors: _revoke(doors, lost))


def _give(doors: Doors, who: str) -> None:
    """By the educator, for whoever asked at the desk."""
    (holding, *_) = certificates.holdings_of(doors.clinicians[who])
    educator = doors.educator(doors.home(who))
    certificates.give_out(actor=educator, award=holding.award, address=lambda token: f"https://{DOMAIN}/c/{token}/")


def _take(doors: Doors, who: str, plan: Plan) -> None:
    educator = doors.educator(doors.home(who))
    making.make(
        actor=educator,
        clinician=doors.clinicians[who],
        kind=making.LOGBOOK,
        form="pdf",
        first=add_months(plan.today, -12),
        last=plan.today,
    )


def _revoke(doors: Doors, who: str) -> None:
    row = Certificate.objects.get(clinician=doors.clinicians[who])
    reason = "Lost on the bus with the bag it was in."
    digest = certificates.revocation_digest(row, reason)
    signer = doors.confirm(doors.educator(doors.home(who)), certificates.MEANING, [digest])
    certificates.revoke(signer=signer, certificate=row, reason=reason)
