"""The lists of answers and decisions."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.db.models import Q, QuerySet
from django.urls import reverse

from audits.models import Procedure
from credentials.flags import visible_flags
from credentials.models import Flag
from credentials.whocan import Line
from credentials.wording import RULE_WORDS
from people.access import Access
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
