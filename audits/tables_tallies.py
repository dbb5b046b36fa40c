"""The list of shift tallies."""

from django import forms
from django.db.models import Q, QuerySet

from audits.limits import limits
from audits.models import Tally
from audits.tables import by_name, hospital_name, unit_name
from audits.tallies import is_late, noted_on
from people.access import Access, Right
from people.fields import DayField
from sheets.listing import Column, Filter, Listing


def tally_list(access: Access) -> Listing:
    """Tallies as they stand, that this user may see: one's own, and those of units and people in one's charge."""
    rows = visible_to(access).select_related("clinician", "procedure", "known_from__actor")
    limit = limits(set(rows.values_list("clinician", flat=True)), now=access.tree)
    return Listing(
        name="tallies",
        title="Shift tallies",
        rows=rows,
        columns=(
            Column("day", "Day", "day", value="on", sort=("on", "pk")),
            Column("clinician", "Inserted by", value="clinician.name", sort=("clinician__name", "on")),
            Column("procedure", "Procedure", value="procedure.name", sort=("procedure__name", "on")),
            Column(
                "unit", "Unit", value=unit_name(access.tree), note=hospital_name(access.tree), note_label="Hospital"
            ),
            Column("insertions", "Not logged one by one", "number", sort=("insertions", "on")),
            Column(
                "noted",
                "Noted",
                "day",
                value=lambda row: noted_on(row, access.tree),
                note=lambda row: "late" if is_late(row, limit) else "",
                note_label="Late",
            ),
            Column("by", "Noted by", value=lambda row: row.known_from.actor.name if row.known_from.actor else ""),
        ),
        filters=(
            Filter("name", forms.CharField(label="Inserted by", required=False), by_name),
            Filter("from", DayField(label="From", required=False), lambda rows, day: rows.filter(on__gte=day)),
            Filter("through", DayField(label="Through", required=False), lambda rows, day: rows.filter(on__lte=day)),
        ),
        order="-day",
        empty="No shift tally yet. Where a unit keeps tallies, holders note theirs under Log.",
        notes=("A tally counts insertions that were not logged one by one: volume, never a rate or credit.",),
    )


def visible_to(access: Access) -> QuerySet[Tally]:
    """As entries are seen: one's own, those of one's units, those of people in one's charge."""
    mine = Q(clinician=access.clinician) if access.clinician is not None else Q(pk__in=())
    if units := access.units_for(Right.FIGURES):
        theirs = access.clinicians_for(Right.FIGURES).order_by().values("pk")
        mine |= Q(unit__in=units) | Q(clinician__in=theirs)
    return Tally.objects.known().filter(mine)
