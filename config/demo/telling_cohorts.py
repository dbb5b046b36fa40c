"""Cohorts: an intake that is over, one that ends soon, and what became of each of the first."""

from collections.abc import Sequence
from datetime import date, timedelta

from config.demo import leads
from config.demo.doors import Doors
from config.demo.groundplan import HARBOUR, SALTMARSH
from config.demo.plan import Plan
from config.demo.stories import STORIES
from credentials import cohort_ends, cohorts, enrolling
from credentials.models import Cohort, CohortMember, Enrolment

OVER, PRESENT = "First intake", "Second intake"
LEFT = timedelta(days=10)  # of the present one


def tell(plan: Plan) -> None:
    begun, ended, next_begun = plan.ago(150), plan.ago(40), plan.ago(62)
    first = [plan.member(unit, opened=begun - timedelta(days=4)) for unit in ("tern", "heron", "curlew")]
    second = [plan.member("heron", opened=next_begun - timedelta(days=3), account=False) for _ in range(6)]
    plan.turn(begun, lambda doors: _open(doors, OVER, begun, ended, first))
    plan.turn(next_begun, lambda doors: _open(doors, PRESENT, next_begun, plan.today + LEFT, second))
    # Awarded since by the way that everybody takes; was taken into the first intake beside the others.
    awarded = STORIES["provisional"].number
    plan.turn(begun + timedelta(days=32), lambda doors: _take_in(doors, OVER, awarded))
    plan.turn(ended - timedelta(days=1), lambda doors: _settle(doors, [*first, awarded]))
    plan.turn(ended + timedelta(days=2), lambda doors: _take_over(doors, first[1]))
    plan.turn(plan.ago(5), lambda doors: _end_learning(doors, second[5]))


def _open(doors: Doors, name: str, first: date, until: date, who: Sequence[str]) -> None:
    """Opened by the educator, and everybody taken in at once."""
    educator = doors.educator(SALTMARSH)
    new = cohorts.NewCohort(
        name=name, unit=doors.units[SALTMARSH], procedure=doors.procedures["ADULT"], from_day=first, until_day=until
    )
    made = cohorts.open_cohort(actor=educator, new=new)
    cohorts.join(actor=educator, cohort=made, clinicians=[doors.clinicians[each] for each in who])


def _take_in(doors: Doors, name: str, who: str) -> None:
    """Somebody who is enrolled already: joins with the enrolment there is."""
    cohort = Cohort.objects.get(name=name)
    cohorts.join(actor=doors.educator(SALTMARSH), cohort=cohort, clinicians=[doors.clinicians[who]])


def _take_over(doors: Doors, who: str) -> None:
    member = (
        CohortMember.objects.known()
        .select_related("clinician", "cohort")
        .get(clinician=doors.clinicians[who], outcome="handed_over")
    )
    cohort_ends.take_over(actor=doors.educator(HARBOUR), member=member)


def _end_learning(doors: Doors, who: str) -> None:
    row = (
        Enrolment.objects.known()
        .select_related("clinician", "procedure")
        .get(clinician=doors.clinicians[who], until_day=None)
    )
    reason = "On nights for the rest of the rotation, where nobody can stand beside; begins again in the next."
    enrolling.end_enrolment(actor=doors.educator(SALTMARSH), enrolment=row, until_day=doors.today, reason=reason)


def _settle(doors: Doors, who: Sequence[str]) -> None:
    """One goes on in the next intake, one with the educator of the other hospital, one has left the group."""
    over, present = Cohort.objects.get(name=OVER), Cohort.objects.get(name=PRESENT)
    of = {each.clinician.staff_number: each for each in cohorts.members(over)}
    moved, handed, closed, awarded = (of[each] for each in who)
    leaving = [
        cohort_ends.Leaving(member=moved, outcome="moved", moved_to=present),
        cohort_ends.Leaving(
            member=handed,
            outcome="handed_over",
            handed_to=doors.users[leads.educator_of(HARBOUR)],
            note="Works at Harbour Point from next month; four insertions to go.",
        ),
        cohort_ends.Leaving(member=closed, outcome="closed", note="Went to a unit where nobody inserts."),
        cohort_ends.Leaving(member=awarded, outcome="awarded"),
    ]
    digest = cohort_ends.leaving_digest(over, leaving)
    signer = doors.confirm(doors.educator(SALTMARSH), cohort_ends.MEANING, [digest])
    cohort_ends.leave(signer=signer, cohort=over, leaving=leaving, digest=digest)
