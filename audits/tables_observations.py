"""The list of observations: open ones first."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.db.models import Case, Exists, IntegerField, OuterRef, Q, QuerySet, Value, When
from django.urls import reverse

from audits.checklist import LEVEL_WORDS, PURPOSE_WORDS, SETTING_WORDS, VERDICT_WORDS
from audits.models import Observation, ObservationDispute, ObservationReply, Procedure
from audits.tables import any_of, by_name, hospital_name, unit_name
from people.access import Access, Right
from people.clock import in_words
from people.fields import DayField
from sheets.listing import Column, Filter, Listing

STATES: Mapping[str, str] = {
    "open": "Not signed yet",
    "disputed": "Disputed",
    "unread": "Signed, not read by the learner yet",
    "read": "Signed and read",
    "second": "Second rating",
}


def observations(access: Access) -> Listing:
    """The observations that this user may see. Those that are not signed are one's own, and stand first."""
    return Listing(
        name="observations",
        title="Observations",
        rows=_rows(access),
        columns=(
            Column("observed", "When", "moment", value=_local, sort=("is_open", "observed_at", "pk"), link=_link),
            Column("clinician", "Who", value="clinician.name", sort=("clinician__name", "observed_at")),
            Column("procedure", "Procedure", value="procedure.name", sort=("procedure__name", "observed_at")),
            Column("purpose", "What for", value="get_purpose_display", sort=("purpose", "observed_at")),
            Column("setting", "Where", value="get_setting_display", sort=("setting", "observed_at")),
            Column(
                "unit", "Unit", value=unit_name(access.tree), note=hospital_name(access.tree), note_label="Hospital"
            ),
            Column(
                "verdict",
                "Came to",
                value=lambda row: VERDICT_WORDS.get(row.verdict, ""),
                note=lambda row: LEVEL_WORDS.get(row.recommended, ""),
                note_label="Recommended for the next one",
            ),
            Column("assessor", "Observed by", value="assessor.name", sort=("assessor__name", "observed_at")),
            Column(
                "state",
                "State",
                value=lambda row: STATES[_state(row)],
                note=_signature,
                note_label="Signed by, when, meaning",
            ),
        ),
        filters=(
            Filter("state", forms.ChoiceField(label="State", choices=any_of(STATES), required=False), in_state),
            Filter("purpose", forms.ChoiceField(label="What for", choices=any_of(PURPOSE_WORDS)), _by("purpose")),
            Filter("setting", forms.ChoiceField(label="Where", choices=any_of(SETTING_WORDS)), _by("setting")),
            Filter("name", forms.CharField(label="Who"), by_name, folded=True),
            Filter(
                "verdict",
                forms.ChoiceField(label="Came to", choices=any_of(VERDICT_WORDS)),
                _by("verdict"),
                folded=True,
            ),
            *_whose(access),
            Filter(
                "procedure",
                forms.ModelChoiceField(Procedure.objects.all(), label="Procedure", empty_label="Any"),
                _by("procedure"),
                folded=True,
            ),
            Filter("from", DayField(label="From", required=False), _by("observed_on__gte"), folded=True),
            Filter("through", DayField(label="Through", required=False), _by("observed_on__lte"), folded=True),
        ),
        order="-observed",
        empty="Nobody has observed anybody yet. What you begin stays here until it is signed.",
        notes=("Observations with a patient, in simulation and in the skills laboratory are never added together.",),
    )


def in_state(rows: QuerySet[Any], state: str) -> QuerySet[Any]:
    """Rows of `_rows` in this state."""
    if state == "open":
        return rows.filter(signed=None)
    if state == "second":
        return rows.filter(signed__isnull=False).exclude(second_of=None)
    first = rows.filter(signed__isnull=False, second_of=None)
    if state == "disputed":
        return first.filter(Q(is_disputed=True))
    return first.filter(Q(is_disputed=False, is_read=state == "read"))


def _rows(access: Access) -> QuerySet[Any]:
    read = ObservationReply.objects.filter(observation=OuterRef("pk"), kind=ObservationReply.Kind.ACKNOWLEDGED)
    disputed = ObservationDispute.objects.known().filter(observation=OuterRef("pk"))
    rows = Observation.objects.known().visible_to(access).select_related("clinician", "procedure", "assessor")
    return rows.annotate(
        is_open=Case(When(signed=None, then=Value(1)), default=Value(0), output_field=IntegerField()),
        is_read=Exists(read),
        is_disputed=Exists(disputed),
    )


def _state(row: Any) -> str:
    if row.signed_id is None:
        return "open"
    if row.second_of_id is not None:
        return "second"
    return "disputed" if row.is_disputed else "read" if row.is_read else "unread"


def _link(row: Any) -> str:
    return reverse("observe" if row.signed_id is None else "observation", args=[row.uuid])


def _local(row: Any) -> datetime:
    local: datetime = row.observed_at.astimezone(ZoneInfo(row.zone))
    return local


def _signature(row: Any) -> str:
    """What a signature shows wherever it is shown: printed name, moment with its zone, meaning."""
    if row.signed_at is None:
        return ""
    local = row.signed_at.astimezone(ZoneInfo(row.zone))
    return f"{row.printed_name}, {in_words(local.date())}, {local:%H:%M} {row.zone}, {row.meaning}"


def _whose(access: Access) -> tuple[Filter, ...]:
    """Of oneself, or made by oneself, for who may see both."""
    if access.clinician is None or not access.may_somewhere(Right.SUPERVISE):
        return ()
    choices = [("", "Everybody's"), ("own", "Of you"), ("made", "By you")]

    def narrow(rows: QuerySet[Observation], value: str) -> QuerySet[Observation]:
        return rows.filter(clinician=access.clinician) if value == "own" else rows.filter(assessor=access.user)

    return (Filter("whose", forms.ChoiceField(label="Whose", choices=choices), narrow, folded=True),)


def _by(path: str) -> Any:
    return lambda rows, value: rows.filter(**{path: value})
