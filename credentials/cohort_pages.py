"""Cohorts as pages show them: the list, and one cohort with how far each person is and what hangs."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from django import forms
from django.db.models import Count, Q
from django.urls import reverse

from credentials.cohort_ends import handed_to
from credentials.cohorts import members, visible_cohorts
from credentials.hanging import Hangs, hanging
from credentials.models import Cohort, CohortMember
from credentials.rules import progress
from credentials.rules.answers import Status
from credentials.rules.standing import waits_for_award
from credentials.standings import Read, read_many
from credentials.today_lines import Line, Part
from people.access import Access, Right
from people.clock import in_words
from sheets.listing import Column, Filter, Listing

SOON = timedelta(days=14)


@dataclass(frozen=True, kw_only=True)
class Row:
    """One person of a cohort. Of somebody who left, how far they are is no longer this cohort's matter."""

    member: CohortMember
    path: str
    status: Status | None
    waits: bool  # for the decision alone: every term is met
    lines: Sequence[progress.Line]
    hangs: Hangs

    @property
    def is_in(self) -> bool:
        return not self.member.outcome

    @property
    def progress(self) -> str:
        """What is still missing, in words; that nothing is."""
        if not self.is_in or not self.lines:
            return ""
        lack = [line for line in self.lines if not line.is_met]
        return "; ".join(f"{line.label} {line.have} of {line.need}" for line in lack) or "Nothing is missing"

    @property
    def where(self) -> str:
        """Where the person stands in the cohort, in words."""
        if self.is_in:
            return self.status.words if self.status else ""
        if self.member.moved_to:
            return f"Moved to {self.member.moved_to.name}"
        if self.member.handed_to:
            taken = "" if self.member.taken_on else ", not taken on yet"
            return f"Handed over to {self.member.handed_to.name}{taken}"
        return self.member.get_outcome_display()


@dataclass(frozen=True, kw_only=True)
class CohortPage:
    """One cohort: `decides` whether the reader may take people in and let them go."""

    cohort: Cohort
    path: str
    on: date
    rows: Sequence[Row]
    decides: bool

    @cached_property
    def within(self) -> list[Row]:
        return [row for row in self.rows if row.is_in]

    @property
    def ready(self) -> int:
        return sum(row.waits for row in self.within)

    @property
    def hanging(self) -> int:
        return sum(bool(row.hangs) for row in self.within)

    @property
    def days_left(self) -> int:
        """Whole days from today through the last day of the rotation; negative once it is over."""
        return (self.cohort.until_day - self.on).days

    @property
    def is_over(self) -> bool:
        return self.on >= self.cohort.until_day


def cohort_page(access: Access, cohort: Cohort) -> CohortPage:
    """The page of a cohort. The number of queries does not grow with its people."""
    rows = list(members(cohort))
    whom = [row.clinician_id for row in rows if not row.outcome]
    read = read_many([(each, cohort.procedure_id) for each in whom])
    seen = set(access.clinicians_for(Right.FIGURES).filter(pk__in=whom).values_list("pk", flat=True))
    hangs = hanging(whom, cohort.procedure, seen=seen)
    return CohortPage(
        cohort=cohort,
        path=access.tree.path(cohort.unit_id),
        on=access.on,
        rows=[
            _row(access, row, read.get((row.clinician_id, cohort.procedure_id)), hangs.get(row.clinician_id, Hangs()))
            for row in rows
        ],
        decides=access.may(Right.DECIDE, cohort.unit_id),
    )


def _row(access: Access, row: CohortMember, found: Read | None, hangs: Hangs) -> Row:
    standing = found.standing if found else None
    home = standing.home[0] if standing and standing.home else None
    return Row(
        member=row,
        path=access.tree.path(home) if home is not None and home in access.tree else "",
        status=found.home.status if found else None,
        waits=bool(found and waits_for_award(found.standing, found.home.status)),
        lines=(*standing.entry, *standing.award) if standing else (),
        hangs=hangs,
    )


def people_of(page: CohortPage) -> Listing:
    """The people of a cohort by name, with what is missing and what hangs."""
    return Listing(
        name="cohort",
        title=f"{page.cohort.name}, {page.path}",
        rows=page.rows,
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="member.clinician.name",
                sort=("member.clinician.name", "member.clinician_id"),
                link=lambda row: _person(row, page),
                note=lambda row: row.path,
                note_label="Unit",
            ),
            Column(
                "number", "Staff number", value="member.clinician.staff_number", sort="member.clinician.staff_number"
            ),
            Column("where", "Where they stand", value="where", sort=("where", "member.clinician.name")),
            Column("missing", "Still missing", value="progress"),
            Column("hangs", "Not settled", value="hangs.words"),
        ),
        filters=(Filter("state", forms.ChoiceField(label="State", choices=STATES, required=False), _in_state),),
        order="clinician",
        per_page=0,
        empty="Nobody is in this cohort yet. Take people in from a list of staff numbers.",
        notes=(f"{page.cohort.programme}. By name; how far somebody is says nothing about how good they are.",),
    )


STATES = (
    ("", "Everybody"),
    ("in", "Still in it"),
    ("ready", "Ready for award"),
    ("hangs", "Something is not settled"),
    ("left", "Left it"),
)


def _in_state(rows: Sequence[Row], value: str) -> list[Row]:
    tests = {
        "in": lambda row: row.is_in,
        "ready": lambda row: row.is_in and row.waits,
        "hangs": lambda row: row.is_in and bool(row.hangs),
        "left": lambda row: not row.is_in,
    }
    return [row for row in rows if tests[value](row)]


def _person(row: Row, page: CohortPage) -> str:
    return f"{reverse('person', args=[row.member.clinician.uuid])}?procedure={page.cohort.procedure_id}"


OPEN_OR_CLOSED = (("", "Any"), ("open", "Open"), ("closed", "Closed"))


def cohorts(access: Access) -> Listing:
    """The cohorts at this user's units; those that are over and not closed first need somebody."""
    now = Q(members__known_until=None)
    rows = visible_cohorts(access).annotate(
        people=Count("members", filter=now), within=Count("members", filter=now & Q(members__outcome=""))
    )
    return Listing(
        name="cohorts",
        title="Cohorts",
        rows=rows,
        columns=(
            Column("name", "Cohort", sort=("name", "id"), link=lambda row: reverse("cohort", args=[row.uuid])),
            Column("unit", "Unit", value=lambda row: access.tree.path(row.unit_id)),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
            Column("from", "From", "day", value="from_day", sort="from_day"),
            Column("through", "Through", "day", value=lambda row: row.until_day - timedelta(days=1), sort="until_day"),
            Column("people", "People", "number", sort="people"),
            Column("state", "State", value=lambda row: _state(row, access.on)),
        ),
        filters=(
            Filter(
                "state",
                forms.ChoiceField(
                    label="State", choices=(("", "Any"), ("open", "Open"), ("closed", "Closed")), required=False
                ),
                lambda rows, value: rows.filter(closed__isnull=value == "open"),
            ),
        ),
        order="-through",
        empty="No cohort yet. Open one for an intake, then take its people in from a list.",
    )


def waiting(access: Access) -> Iterator[Line]:
    """For Today: rotations that end within two weeks or are over, and people who were handed over to one."""
    if not access.may_somewhere(Right.DECIDE):
        return
    soon = visible_cohorts(access).filter(closed=None, until_day__lte=access.on + SOON)
    there = soon.filter(unit__in=access.units_for(Right.DECIDE)).annotate(
        within=Count("members", filter=Q(members__known_until=None, members__outcome=""))
    )
    for each in there.filter(within__gt=0).order_by("until_day", "pk"):
        verb = "ended" if access.on >= each.until_day else "ends"
        people = "1 person in it" if each.within == 1 else f"{each.within} people in it"
        words = f"{each.name} {verb} on {in_words(each.until_day - timedelta(days=1))}: {people}"
        yield Line(Part.DECIDE, words, reverse("cohort", args=[each.uuid]))
    if count := handed_to(access.user).count():
        words = "1 person was handed over to you" if count == 1 else f"{count} people were handed over to you"
        yield Line(Part.DECIDE, words, reverse("cohort_handed"))


def _state(row: Cohort, on: date) -> str:
    if row.closed_id is not None:
        return "Closed"
    left: int = row.within  # type: ignore[attr-defined]
    if on >= row.until_day and left:
        return f"Over: {left} still to be settled"
    return f"{left} in it"
