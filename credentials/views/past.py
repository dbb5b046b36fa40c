"""Any past day on screen: one person's, for an incident review, and a whole unit's."""

from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits.models import Procedure
from credentials import past, past_unit
from credentials.forms_past import IncidentForm, PastForm
from ledger.models import Act
from people import access, exports
from people.access import Access, Right
from people.lookups import note_view, note_views
from people.models import Appointment, Placement, User
from people.pages import page
from sheets.listing import export, page_of


@require_http_methods(["GET"])
def incident(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """One person on a past day, as known then beside as known now, with what came in between."""
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.UNIT_FIGURES)
    _needs_procedures()
    homes = Placement.objects.known().filter(clinician=clinician, home=True).order_by("-from_day", "-pk")
    asked = IncidentForm(
        request.GET or None,
        tree=mine.tree,
        units=mine.neighbourhood,
        today=mine.on,
        unit=homes.values_list("unit", flat=True).first() or mine.tree.root,
        supervisors=_supervisors(mine),
    )
    shown = None
    if asked.is_bound and asked.is_valid():
        said = asked.cleaned_data
        shown = past.incident(
            mine, clinician, said["procedure"], unit=asked.unit, on=said["on"], known=asked.number,
            supervisor=said["supervisor"],
        )  # fmt: skip
        if not mine.is_self(clinician):
            note_view(mine.user, clinician, "incident")
    return page(request, "credentials/incident.html", {"form": asked, "clinician": clinician, "shown": shown})


@require_http_methods(["GET", "POST"])
def unit_day(request: HttpRequest) -> HttpResponseBase:
    """Who could insert on a unit on a past day."""
    mine = access.of(request)
    _needs_procedures()
    asked = PastForm(
        request.GET if "on" in request.GET else None,
        tree=mine.tree,
        units=mine.units_for(Right.UNIT_FIGURES),
        today=mine.on,
    )
    if not asked.is_bound or not asked.is_valid():
        return page(request, "credentials/unit_day.html", {"form": asked})
    said, unit = asked.cleaned_data, asked.cleaned_data["unit"].pk
    lines = past_unit.unit_day(mine, unit, said["procedure"], on=said["on"], known=asked.number)
    about = {"unit": mine.tree.path(unit), "procedure": said["procedure"], "on": said["on"], "known": asked.number}
    rows = past_unit.listing(lines, **about)
    note_views(mine.user, (line.clinician for line in lines if not mine.is_self(line.clinician)), "unit_day")
    if request.method == "POST":
        return export(request, rows, on_export=lambda made: exports.record(actor=mine.user, made=made))
    then = Act.objects.get(seq=asked.number)
    context = {
        **about,
        "form": asked,
        "listing": page_of(request, rows),
        "alone": past_unit.alone(lines),
        "recorded_at": then.recorded_at,
        "zone": mine.tree.zone(unit),
    }
    return page(request, "credentials/unit_day.html", context, fragment="tables/listing.html")


def _supervisors(mine: Access) -> list[User]:
    """Those appointed to supervise where this user works, now or once."""
    roles = [each.value for each in (Appointment.Role.SUPERVISOR, Appointment.Role.ASSESSOR, Appointment.Role.EDUCATOR)]
    above = {each for unit in mine.neighbourhood for each in mine.tree.above(unit)}
    rows = Appointment.objects.known().filter(role__in=roles, unit__in=above).values("user")
    return list(User.objects.filter(pk__in=rows))


def _needs_procedures() -> None:
    if not Procedure.objects.exists():
        raise Http404("This register has no procedures yet, so there is nothing to answer.")
