"""What is offered on somebody's page to who may decide about them: links in words, in the order of an award's life."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import reverse

from audits.models import Procedure
from credentials import moving
from credentials.models import Enrolment
from credentials.rules.answers import Status
from credentials.seeing import Seen
from people.access import Access, Right
from people.models import Clinician


@dataclass(frozen=True, slots=True)
class Offer:
    """One thing that may be decided: what it is called, and where."""

    words: str
    url: str


@dataclass(frozen=True, kw_only=True)
class About:
    """About whom and what, and how it stands today."""

    access: Access
    seen: Seen
    clinician: Clinician
    procedure: Procedure
    status: Status
    enrolment: Enrolment | None
    returns: bool  # whether a return step waits for a signature
    planned: bool  # whether a plan about this procedure is open


def offers(about: About) -> list[Offer]:
    """What this user may decide about this person and procedure; a page of another day offers nothing."""
    return list(_offers(about))


def stand_down(about: About) -> Offer | None:
    """It stands at the head of the page, where it is found at 3 a.m.; none where somebody is stopped already."""
    if about.status in (Status.STOOD_DOWN, Status.SUSPENDED):
        return None
    if not about.access.may_about(Right.STAND_DOWN, about.clinician):
        return None
    return Offer("Stand down at once", reverse("stand_down", args=[about.clinician.uuid]))


def _offers(about: About) -> Iterator[Offer]:
    person, procedure = about.clinician.uuid, about.procedure.pk
    if about.seen.decides:
        if about.enrolment:
            if moving.may_move_to(about.enrolment, about.access.on):
                yield Offer("Move to the version in effect here", reverse("enrolment_move", args=[person, procedure]))
            yield Offer("End the enrolment", reverse("enrolment_end", args=[person, procedure]))
        elif not about.status.is_held:
            yield Offer("Enrol", _asking("enrol", about))
        if about.returns:
            yield Offer("Sign the return step as done", reverse("return_step", args=[person, procedure]))
        yield Offer("Note a test, a session or a policy read", _asking("completion", about))
        if about.status.is_held:
            yield Offer("Extend the award to another unit", reverse("award_extend", args=[person, procedure]))
        else:
            yield Offer("Decide what was brought from elsewhere", _asking("recognise", about))
        yield Offer("Decide a scope by role", reverse("scope", args=[person]))
        yield from _limiting(about)
    if about.seen.founds:
        yield Offer("Enter an award from before the register", _asking("founding_enter", about))


def _limiting(about: About) -> Iterator[Offer]:
    """What would limit this person; each only where it would change something."""
    status = about.status
    if status is not Status.SUSPENDED:
        # A stand-down ends by itself: whoever should stay away longer is suspended by an educator meanwhile.
        yield _limit("suspension", "Suspend", about)
    if status.is_held or status is Status.IN_GRACE:
        yield _limit("withdrawal", "Withdraw the award", about)
    if about.planned:
        return
    if status is Status.LAPSED:
        yield _limit("return_plan", "Open a return plan", about)
    elif status not in (Status.NOT_ENROLLED, Status.NO_PLACEMENT, Status.WITHDRAWN):
        yield _limit("plan", "Open a re-supervision plan", about)


def _limit(kind: str, words: str, about: About) -> Offer:
    return Offer(words, f"{reverse('limit', args=[about.clinician.uuid, kind])}?procedure={about.procedure.pk}")


def _asking(name: str, about: About) -> str:
    return f"{reverse(name, args=[about.clinician.uuid])}?procedure={about.procedure.pk}"
