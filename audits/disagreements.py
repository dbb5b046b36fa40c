"""Disagreements as pages show them: the list that waits, and all that was said and decided about one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import UUID

from django.urls import reverse

from audits import ruling
from audits.checklist import VERDICT_WORDS
from audits.models import Dispute, DisputeAnswer, Insertion, Observation, ObservationDispute, Ruling
from audits.ruling import AnyDispute
from audits.wording import summary
from people.access import Access, Right
from people.models import Clinician
from sheets.listing import Column, Listing


@dataclass(frozen=True, kw_only=True)
class Said:
    """One disagreement with what both sides said, and its decision where there is one."""

    dispute: AnyDispute
    about: str
    answers: Sequence[DisputeAnswer]
    ruling: Ruling | None

    @property
    def is_open(self) -> bool:
        return self.dispute.known_until_id is None

    @property
    def last_day(self) -> date:
        """The last day on which the nearest educators are asked alone."""
        return ruling.limit_on(self.dispute) - timedelta(days=1)


@dataclass(frozen=True, kw_only=True)
class Page:
    """All disagreements about one entry or observation, the latest first."""

    uuid: UUID
    clinician: Clinician
    day: date
    where: str
    link: str
    what: str  # the entry or observation in a line
    said: Sequence[Said]
    may_answer: bool
    may_rule: bool

    @property
    def open(self) -> Said | None:
        return next((each for each in self.said if each.is_open), None)


@dataclass(frozen=True, kw_only=True)
class Waiting:
    """One line of the list."""

    dispute: AnyDispute
    clinician: Clinician
    day: date
    where: str
    about: str
    link: str
    waits_for: str

    @property
    def last_day(self) -> date:
        return ruling.limit_on(self.dispute) - timedelta(days=1)


def about_words(dispute: AnyDispute) -> str:
    return dispute.get_about_display() if isinstance(dispute, Dispute) else "The observation"


def of_entry(access: Access, uuid: UUID) -> Page:
    """Raises Http404 for an entry that this user may not see."""
    Insertion.objects.seen_by(access, uuid)
    rows = Dispute.objects.filter(insertion__uuid=uuid).select_related(
        "insertion__clinician", "insertion__supervisor", "by"
    )
    latest = Insertion.objects.filter(uuid=uuid).select_related("clinician").latest("version")
    link = reverse("entry", args=[uuid])
    found = list(rows.order_by("-pk"))
    return _page(access, latest, day=latest.performed_on, link=link, what=summary(latest), disputes=found)


def of_observation(access: Access, uuid: UUID) -> Page:
    """Raises Http404 for an observation that this user may not see."""
    row = Observation.objects.seen_by(access, uuid).select_related("clinician", "assessor").get()
    rows = ObservationDispute.objects.filter(observation=row).select_related(
        "observation__clinician", "observation__assessor", "by"
    )
    link = reverse("observation", args=[uuid])
    verdict = VERDICT_WORDS.get(row.verdict, "").lower()
    purpose = str(row.get_purpose_display())
    what = f"{purpose}: {verdict}, " if verdict else f"{purpose}, "
    what += f"observed by {row.assessor.name}"
    return _page(access, row, day=row.observed_on, link=link, what=what, disputes=list(rows.order_by("-pk")))


def _page(
    access: Access, row: Insertion | Observation, *, day: date, link: str, what: str, disputes: Sequence[AnyDispute]
) -> Page:
    open_one = next((each for each in disputes if each.known_until_id is None), None)
    return Page(
        uuid=row.uuid,
        clinician=row.clinician,
        day=day,
        where=access.tree.path(row.unit_id),
        link=link,
        what=what,
        said=[
            Said(
                dispute=each,
                about=about_words(each),
                answers=list(ruling.answers(each)),
                ruling=each.rulings.select_related("by").first(),
            )
            for each in disputes
        ],
        may_answer=open_one is not None and ruling.may_answer(access, open_one),
        may_rule=open_one is not None and ruling.may_rule(access, open_one),
    )


def waiting(access: Access) -> list[Waiting]:
    """Every disagreement on the units where this user decides, with whom it waits for."""
    found = ruling.open_ones(access)
    deciders = ruling.educators_over((ruling.about(each).unit_id for each in found), access.on)
    sides = ruling.sides_of(found)
    return [_line(access, each, sides[each], ruling.is_asked(access, each, sides[each], deciders)) for each in found]


def _line(access: Access, dispute: AnyDispute, sides: ruling.Sides, asked: bool) -> Waiting:
    row = ruling.about(dispute)
    is_entry = isinstance(row, Insertion)
    side = access.user.pk in sides.users
    return Waiting(
        dispute=dispute,
        clinician=row.clinician,
        day=row.performed_on if isinstance(row, Insertion) else row.observed_on,
        where=access.tree.path(row.unit_id),
        about=about_words(dispute),
        link=reverse("disagreement" if is_entry else "disagreement_observed", args=[row.uuid]),
        waits_for="you" if asked else "another: you are a side" if side else "the educators nearer by",
    )


def count_for(access: Access) -> int:
    """How many wait for this user today."""
    return sum(each.waits_for == "you" for each in waiting(access)) if access.may_somewhere(Right.DECIDE) else 0


def listing(access: Access) -> Listing:
    return Listing(
        name="disagreements",
        title="Disagreements that wait",
        rows=waiting(access),
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort=("clinician.name", "day"),
                link=lambda row: row.link,
                note="where",
                note_label="Unit",
            ),
            Column("day", "Day", "day", sort="day"),
            Column("about", "About", sort="about"),
            Column("by", "Opened by", value="dispute.by.name"),
            Column("opened", "Opened", "day", value="dispute.opened_on", sort="dispute.opened_on"),
            Column("last", "Decide by", "day", value="last_day", sort="last_day"),
            Column("waits", "Waits for", value="waits_for", sort="waits_for"),
        ),
        order="opened",
        empty="Nobody disputes anything on your units.",
    )
