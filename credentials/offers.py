"""What is offered on somebody's page to who may decide about them: links in words, in the order of an award's life."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import reverse

from audits.models import Procedure
from credentials.models import Enrolment
from credentials.rules.answers import Status
from credentials.seeing import Seen
from people.access import Access
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


def offers(about: About) -> list[Offer]:
    """What this user may decide about this person and procedure; a page of another day offers nothing."""
    return list(_offers(about))


def _offers(about: About) -> Iterator[Offer]:
    person, procedure = about.clinician.uuid, about.procedure.pk
    if about.seen.decides:
        if about.enrolment:
            yield Offer("End the enrolment", reverse("enrolment_end", args=[person, procedure]))
        elif not about.status.is_held:
            yield Offer("Enrol", _asking("enrol", about))
        yield Offer("Note a test, a session or a policy read", _asking("completion", about))
        yield Offer("Decide a scope by role", reverse("scope", args=[person]))
    if about.seen.founds:
        yield Offer("Enter an award from before the register", _asking("founding_enter", about))


def _asking(name: str, about: About) -> str:
    return f"{reverse(name, args=[about.clinician.uuid])}?procedure={about.procedure.pk}"
