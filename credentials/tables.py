"""The lists of answers and decisions."""

from collections.abc import Callable, Sequence
from datetime import date, timedelta
from typing import Any

from django import forms
from django.db.models import Prefetch, Q, QuerySet
from django.urls import reverse

from audits.models import Procedure
from credentials.flags import visible_flags
from credentials.models import Flag, Standing
from credentials.rules.answers import Answer, Status
from credentials.whocan import Line
from credentials.wording import RULE_WORDS
from people.access import Access, Right
from people.models import Placement
from sheets.listing import Column, Filter, Listing


def who_can(lines: Sequence[Line], *, unit: str, procedure: Procedure) -> Listing:
    """Everybody on a unit, with what they may do there: all on one page, since it is printed."""
    return Listing(
        name="who-can",
        title=f"Who can, here and now: {unit}, {procedure.name}",
        rows=lines,
        columns=(
            Column(
                "name",
                "Clinician",
                sort="name",
                link=lambda row: reverse("person", args=[row.clinician.uuid]) if row.clinician else None,
                note="kind",
                note_label="Placement",
            ),
            Column("may", "May insert", "answer", value="may_insert"),
            Column("supervises", "May supervise", "yes_no", sort="supervises"),
            Column("through", "Through", "day", sort="through"),
            Column("next", "Next"),
        ),
        order="name",
        per_page=0,
        empty="Nobody is placed or appointed here today.",
        notes=("Answers and last days as the register knows them now; for reasons ask the person or their educator.",),
    )


def flags(access: Access) -> Listing:
    """The flags that this user may see, open ones first."""
    return Listing(
        name="reviews",
        title="Reviews",
        rows=visible_flags(access),
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort="clinician__name",
                link=lambda row: reverse("review", args=[row.uuid]),
            ),
            Column("rule", "Question", value=lambda row: RULE_WORDS[row.rule], sort="rule"),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
            Column("raised", "Raised", "day", value="raised_on", sort=("raised_on", "id")),
            Column("reply_by", "Reply by", "day", value=lambda row: None if row.closed_id else row.reply_by),
            Column("state", "State", value=_state),
        ),
        filters=(
            Filter("state", forms.ChoiceField(label="State", choices=STATES, required=False), _in_state),
            Filter("name", forms.CharField(label="Name", required=False), _by_name),
        ),
        order="-raised",
        empty="No questions. When a rule finds something, it appears here and on the person's page the same day.",
    )


STATES = (("", "Open and closed"), ("open", "Open"), ("closed", "Closed"))


def _state(row: Flag) -> str:
    return f"Closed: {row.get_outcome_display().lower()}" if row.closed_id else "Open"


def _in_state(rows: QuerySet[Flag], value: str) -> QuerySet[Flag]:
    return rows.filter(closed__isnull=value == "open") if value else rows


def _by_name(rows: QuerySet[Flag], value: str) -> QuerySet[Flag]:
    for word in value.split():
        rows = rows.filter(Q(clinician__name__icontains=word) | Q(clinician__staff_number__iexact=word))
    return rows


def document_columns(name: str) -> tuple[Column, ...]:
    """The columns of a list of versions; `name` is that of the URL of one version."""
    return (
        Column(
            "version",
            "Version",
            value=lambda row: f"{row.name}, version {row.version}",
            link=lambda row: reverse(name, args=[row.uuid]),
        ),
        Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
        Column("unit", "Unit", value="path"),
        Column("effective_on", "In effect from", "day", sort="effective_on"),
        Column("state", "State", value=_document_state),
    )


def _document_state(row: Any) -> str:
    if row.approved_id:
        return f"Approved by {row.approved_by.name}"
    return "Taken back" if row.known_until_id else "Waits for approval by a second person"


def people(access: Access) -> Listing:
    """Those about whom this user may know how far they are, with what is stored of each procedure they stand in."""
    rows = (
        Standing.objects.filter(clinician__in=access.clinicians_for(Right.PROGRESS))
        .select_related("clinician", "procedure")
        .prefetch_related(
            Prefetch(
                "clinician__placements",
                Placement.objects.known().on(access.on).filter(home=True).order_by("id"),
                to_attr="homes",
            )
        )
    )
    return Listing(
        name="people",
        title="People",
        rows=rows,
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort=("clinician__name", "clinician_id"),
                link=_person_link,
            ),
            Column("unit", "Unit", value=lambda row: _home_path(access, row)),
            Column("procedure", "Procedure", value="procedure.name", sort="procedure__name"),
            Column("may", "May insert", "answer", value=lambda row: Answer(row.may_insert), sort="may_insert"),
            Column("status", "Status", value=lambda row: Status(row.status).words, sort="status"),
            Column("through", "Through", "day", value=_through, sort="expires_on"),
        ),
        filters=(
            Filter("name", forms.CharField(label="Name or staff number", required=False), _named),
            Filter(
                "procedure", forms.ChoiceField(label="Procedure", choices=_procedures, required=False), _of_procedure
            ),
            Filter("status", forms.ChoiceField(label="Status", choices=STATUSES, required=False), _of_status),
            Filter(
                "unit", forms.ChoiceField(label="Unit", choices=_unit_choices(access), required=False), _on_unit(access)
            ),
        ),
        order="clinician",
        empty="Nobody is enrolled or holds anything on your units yet. Enrol somebody from their page under Who can.",
        notes=("Standings as stored by the last run; the page of a person is worked out afresh.",),
    )


STATUSES = (("", "Any"), *((status.value, status.words) for status in Status))


def _procedures() -> list[tuple[str, str]]:
    return [("", "Any"), *((each.code, each.name) for each in Procedure.objects.all())]


def _person_link(row: Standing) -> str:
    return f"{reverse('person', args=[row.clinician.uuid])}?procedure={row.procedure_id}"


def _home_path(access: Access, row: Standing) -> str:
    homes = row.clinician.homes  # type: ignore[attr-defined]
    return access.tree.path(homes[0].unit_id) if homes and homes[0].unit_id in access.tree else "no unit today"


def _through(row: Standing) -> date | None:
    held = Status(row.status).is_held or row.status in (Status.IN_GRACE, Status.BY_ROLE)
    return row.expires_on - timedelta(days=1) if held and row.expires_on else None


def _named(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
    for word in value.split():
        rows = rows.filter(Q(clinician__name__icontains=word) | Q(clinician__staff_number__iexact=word))
    return rows


def _of_procedure(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
    return rows.filter(procedure__code=value) if value else rows


def _of_status(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
    return rows.filter(status=value) if value else rows


def _unit_choices(access: Access) -> list[tuple[str, str]]:
    inset = "\u2003"
    units = access.units_for(Right.PROGRESS)
    walk = access.tree.walk()
    return [
        ("", "Any"),
        *((str(each), inset * depth + access.tree.name(each)) for each, depth in walk if each in units),
    ]


def _on_unit(access: Access) -> Callable[[QuerySet[Standing], str], QuerySet[Standing]]:
    def narrow(rows: QuerySet[Standing], value: str) -> QuerySet[Standing]:
        if not value:
            return rows
        placed = Placement.objects.known().on(access.on).filter(home=True, unit__in=access.tree.below(int(value)))
        return rows.filter(clinician__in=placed.values("clinician"))

    return narrow
