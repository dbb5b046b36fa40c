"""Set-up of staff: taking people in, placing, moving, absences."""

from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from people import access, accounts, exports, staffing, tables
from people.access import Access, Right
from people.forms import (
    AbsenceForm,
    ClinicianForm,
    EndPlacementForm,
    MoveForm,
    NewcomerForm,
    PlacementForm,
    ThroughForm,
)
from people.models import Absence, Placement
from people.pages import go, page, show_problems
from people.problems import Problems
from sheets.listing import export, page_of


@require_http_methods(["GET", "POST"])
def staff_list(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables.staff_list(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(request, "people/staff.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html")


@require_http_methods(["GET"])
def staff_page(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.PLACE)
    placements = Placement.objects.known().filter(clinician=clinician).order_by("-from_day", "-home", "id")
    context = {
        "clinician": clinician,
        "placements": [(each, mine.tree.path(each.unit_id)) for each in placements],
        "absences": list(Absence.objects.known().filter(clinician=clinician).order_by("-from_day")),
        "on": mine.on,
        "may_administer": mine.may_somewhere(Right.ADMINISTER),
        "account": accounts.administered(mine).filter(clinician=clinician).first(),
    }
    return page(request, "people/staff_page.html", context)


@require_http_methods(["GET", "POST"])
def clinician_open(request: HttpRequest) -> HttpResponse:
    mine = access.of(request)
    form = NewcomerForm(request.POST or None, **_placing(mine))
    if request.method == "POST" and form.is_valid():
        given = dict(form.cleaned_data)
        newcomer = staffing.Newcomer(**{each: given.pop(each) for each in ("name", "profession", "staff_number")})
        try:
            clinician = staffing.open_clinician(actor=mine.user, newcomer=newcomer, **given)
        except Problems as problems:
            show_problems(form, problems)
        else:
            message = f"{clinician.name} is in the register, with the staff number {clinician.staff_number}."
            return go(request, "staff_page", clinician.uuid, message=message)
    return page(request, "people/clinician_form.html", {"form": form})


@require_http_methods(["GET", "POST"])
def clinician_change(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.PLACE)
    form = ClinicianForm(request.POST or None, initial={"name": clinician.name, "profession": clinician.profession})
    if request.method == "POST" and form.is_valid():
        try:
            staffing.change_clinician(actor=mine.user, clinician=clinician, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "staff_page", clinician.uuid, message="Changed.")
    return page(request, "people/clinician_form.html", {"form": form, "clinician": clinician})


@require_http_methods(["GET", "POST"])
def place(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """A further placement; it is the home if there is none in its days."""
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.PLACE)
    form = PlacementForm(request.POST or None, **_placing(mine))
    if request.method == "POST" and form.is_valid():
        home = staffing.needs_home(clinician, form.cleaned_data["from_day"], form.cleaned_data["until_day"])
        try:
            staffing.place(actor=mine.user, clinician=clinician, home=home, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "staff_page", clinician.uuid, message="Placed.")
    return page(request, "people/place.html", {"form": form, "clinician": clinician})


@require_http_methods(["GET", "POST"])
def move(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.PLACE)
    form = MoveForm(request.POST or None, **_placing(mine))
    if request.method == "POST" and form.is_valid():
        try:
            staffing.move(actor=mine.user, clinician=clinician, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "staff_page", clinician.uuid, message="The home unit changes on that day.")
    return page(request, "people/place.html", {"form": form, "clinician": clinician, "is_move": True})


@require_http_methods(["GET", "POST"])
def placement_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    row = _standing(mine, Placement.objects.known().filter(uuid=uuid).select_related("clinician"))
    if row.unit_id not in mine.units_for(Right.PLACE):
        raise Http404("No placement on your units has this identifier.")
    others = Placement.objects.known().filter(clinician=row.clinician_id).exclude(pk=row.pk)
    choices = [(each.pk, tables.placement_words(each, mine.tree)) for each in others] if row.home else []
    form = EndPlacementForm(request.POST or None, others=choices, initial={"until_day": row.until_day})
    if request.method == "POST" and form.is_valid():
        chosen = form.cleaned_data.get("new_home")
        new_home = next((each for each in others if str(each.pk) == chosen), None)
        until_day = form.cleaned_data["until_day"]
        try:
            staffing.end_placement(actor=mine.user, placement=row, until_day=until_day, new_home=new_home)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "staff_page", row.clinician.uuid, message="The placement's last day is set.")
    words = tables.placement_words(row, mine.tree)
    return page(request, "people/placement_end.html", {"form": form, "clinician": row.clinician, "words": words})


@require_http_methods(["GET", "POST"])
def absence(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.PLACE)
    form = AbsenceForm(request.POST or None, today=mine.on)
    if request.method == "POST" and form.is_valid():
        try:
            staffing.set_absence(actor=mine.user, clinician=clinician, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "staff_page", clinician.uuid, message="The absence is noted.")
    return page(request, "people/absence.html", {"form": form, "clinician": clinician})


@require_http_methods(["GET", "POST"])
def absence_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    row = _standing(mine, Absence.objects.known().filter(uuid=uuid).select_related("clinician"))
    form = ThroughForm(request.POST or None, initial={"until_day": row.until_day})
    if request.method == "POST" and form.is_valid():
        try:
            staffing.end_absence(actor=mine.user, absence=row, until_day=form.cleaned_data["until_day"])
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "staff_page", row.clinician.uuid, message="The absence's last day is set.")
    return page(request, "people/absence.html", {"form": form, "clinician": row.clinician, "row": row})


def _placing(mine: Access) -> dict[str, Any]:
    return {"tree": mine.tree, "units": mine.units_for(Right.PLACE), "today": mine.on}


def _standing(mine: Access, rows: Any) -> Any:
    """The row, of somebody about whom the user may do this. Raises Http404, NotPermitted."""
    row = rows.first()
    if row is None:
        raise Http404("Nothing has this identifier.")
    mine.get_clinician(row.clinician.uuid, Right.PLACE)
    return row
