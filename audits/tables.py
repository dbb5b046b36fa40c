"""The lists of entries."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.db.models import QuerySet
from django.urls import reverse

from audits.models import Insertion, Procedure, Result
from audits.states import WORDS, in_state, state_of, with_state
from people.access import Access, Right
from people.clock import in_words
from people.fields import DayField
from people.naming import called
from people.tree import CLOSED, Tree
from sheets.listing import Column, Filter, Listing

INSET = "\u2003"


def entry_list(access: Access) -> Listing:
    """The entries that this user may see, as they stand: one's own, those that name one, those in one's charge."""
    rows = with_state(
        Insertion.objects.known().visible_to(access).select_related("clinician", "procedure", "supervisor")
    )
    return Listing(
        name="entries",
        title="Entries",
        rows=rows,
        columns=(
            Column(
                "performed",
                "When",
                "moment",
                value=_local,
                sort=("performed_at", "pk"),
                link=lambda row: reverse("entry", args=[row.uuid]),
            ),
            Column("clinician", "Inserted by", value="clinician.name", sort=("clinician__name", "performed_at")),
            Column("procedure", "Procedure", value="procedure.name", sort=("procedure__name", "performed_at")),
            Column(
                "unit", "Unit", value=unit_name(access.tree), note=hospital_name(access.tree), note_label="Hospital"
            ),
            Column("result", "How it went", value="get_result_display", note=_events, note_label="Also"),
            Column("punctures", "Punctures", "number", sort=("punctures", "performed_at")),
            Column(
                "supervisor",
                "Supervisor",
                value=lambda row: row.supervisor.name if row.supervisor else "",
                sort=("supervisor__name", "performed_at"),
                note=lambda row: row.get_nearness_display().lower(),
                note_label="How near",
            ),
            Column(
                "state",
                "State",
                value=lambda row: state_of(row).short,
                note=_signature,
                note_label="Signed by, when, meaning",
            ),
        ),
        filters=(
            Filter("state", forms.ChoiceField(label="State", choices=any_of(WORDS), required=False), in_state),
            Filter("name", forms.CharField(label="Inserted by", required=False), by_name),
            *_whose(access),
            Filter(
                "unit",
                forms.TypedChoiceField(
                    label="Unit", choices=_units(access), coerce=int, empty_value=None, required=False
                ),
                lambda rows, unit: rows.filter(unit__in=access.tree.below(unit)),
                folded=True,
            ),
            Filter(
                "procedure",
                forms.ModelChoiceField(Procedure.objects.all(), label="Procedure", empty_label="Any", required=False),
                lambda rows, procedure: rows.filter(procedure=procedure),
                folded=True,
            ),
            Filter(
                "result",
                forms.ChoiceField(label="How it went", choices=[("", "Any"), *Result.choices], required=False),
                lambda rows, result: rows.filter(result=result),
                folded=True,
            ),
            Filter(
                "from",
                DayField(label="From", required=False),
                lambda rows, day: rows.filter(performed_on__gte=day),
                folded=True,
            ),
            Filter(
                "through",
                DayField(label="Through", required=False),
                lambda rows, day: rows.filter(performed_on__lte=day),
                folded=True,
            ),
        ),
        order="-performed",
        empty="Nothing has been logged yet. The first entry appears here as soon as it is saved.",
        notes=("Awaiting countersignature: submitted, not yet signed by the named supervisor.",),
    )


def _whose(access: Access) -> tuple[Filter, ...]:
    """One's own or all, for who sees both."""
    if access.clinician is None or not access.may_somewhere(Right.SUPERVISE):
        return ()
    choices = [("", "Everybody's"), ("own", "Your own"), ("named", "Naming you as supervisor")]

    def narrow(rows: QuerySet[Insertion], value: str) -> QuerySet[Insertion]:
        return rows.filter(clinician=access.clinician) if value == "own" else rows.filter(supervisor=access.user)

    return (Filter("whose", forms.ChoiceField(label="Whose", choices=choices, required=False), narrow),)


def _local(row: Insertion) -> datetime:
    return row.performed_at.astimezone(ZoneInfo(row.zone))


def _events(row: Insertion) -> str:
    return "serious event" if row.events else "simulation" if row.setting == Insertion.Setting.SIMULATION else ""


def unit_name(tree: Tree) -> Callable[[Any], str]:
    return lambda row: tree.name(row.unit_id) if row.unit_id in tree else CLOSED


def hospital_name(tree: Tree) -> Callable[[Any], str]:
    def name(row: Any) -> str:
        hospital = tree.hospital(row.unit_id) if row.unit_id in tree else None
        return tree.name(hospital) if hospital not in (None, row.unit_id) else ""

    return name


def _signature(row: Any) -> str:
    """What a signature shows wherever it is shown: printed name, moment with its zone, meaning."""
    statement = next(iter(row.standing), None)
    if statement is None:
        return ""
    local = statement.signed_at.astimezone(ZoneInfo(row.zone))
    return f"{statement.printed_name}, {in_words(local.date())}, {local:%H:%M} {row.zone}, {statement.meaning}"


def by_name(rows: QuerySet[Any], text: str) -> QuerySet[Any]:
    """Rows about those who are called so."""
    return rows.filter(called(text, "clinician__"))


def any_of(words: Mapping[str, str]) -> list[tuple[str, str]]:
    return [("", "Any"), *words.items()]


def _units(access: Access) -> list[tuple[Any, str]]:
    seen = access.neighbourhood
    units = [(each, INSET * depth + access.tree.name(each)) for each, depth in access.tree.walk() if each in seen]
    return [("", "Every unit"), *units]
