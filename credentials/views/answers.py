"""Who can: a unit here and now, and anybody in the hospital by name."""

from django.db.models import Count
from django.http import HttpRequest, HttpResponseBase
from django.views.decorators.http import require_http_methods

from audits.models import Award, Procedure
from credentials import tables, whocan
from credentials.forms import WhoCanForm
from people import access, clock, exports
from people.access import Access, Right
from people.lookups import note_views
from people.models import Clinician, Unit
from people.pages import page
from sheets.listing import export, page_of


@require_http_methods(["GET", "POST"])
def who_can(request: HttpRequest) -> HttpResponseBase:
    """Everybody on a unit for one procedure; with a name, those in the hospital who are called so."""
    mine = access.of(request)
    start = _start(mine)
    asked = {**start, **{key: value for key, value in request.GET.items() if value}}
    form = WhoCanForm(asked if start else None, tree=mine.tree, units=mine.units_for(Right.ANSWER))
    context = {"form": form, "today": mine.on, "lacks_procedures": not Procedure.objects.exists()}
    if start and form.is_valid():
        unit, procedure = form.cleaned_data["unit"], form.cleaned_data["procedure"]
        lines = whocan.here_and_now(mine, unit.pk, procedure)
        path = mine.tree.path(unit.pk)
        listing = tables.who_can(
            lines,
            unit=path,
            procedure=procedure,
            is_ward=len(mine.tree.below(unit.pk)) == 1,
            tells_more=any(line.next for line in lines if not _is_self(mine, line)),
        )
        if request.method == "POST":
            return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
        context |= _asked(mine, unit, procedure, form.cleaned_data["name"])
        context |= {"listing": page_of(request, listing), "path": path, "procedure": procedure}
        context |= {
            "alone": sum(line.is_alone for line in lines),
            "supervising": sum(line.supervises for line in lines),
            "zone": mine.tree.zone(unit.pk),
            "now": clock.now(),
        }
    return page(request, "credentials/who_can.html", context, fragment="tables/listing.html")


def _start(mine: Access) -> dict[str, int]:
    """The unit and procedure that a page without a question shows: one's own, and what most there hold."""
    offices = (each.unit_id for each in mine.appointments if each.unit_id in mine.neighbourhood)
    unit = mine.home if mine.home is not None else next(offices, None)
    procedure = _usual(mine, unit) if unit is not None else None
    if unit is None or procedure is None:
        return {}
    return {"unit": unit, "procedure": procedure}


def _usual(mine: Access, unit: int) -> int | None:
    """The procedure of most awards of those placed on a unit; without any, the first."""
    here = Clinician.objects.all().placed(mine.tree.below(unit), mine.on)
    held = Award.objects.known().filter(clinician__in=here).values("procedure").annotate(most=Count("pk"))
    usual = held.order_by("-most", "procedure__name").values_list("procedure", flat=True).first()
    return usual if usual is not None else Procedure.objects.values_list("pk", flat=True).first()


def _is_self(mine: Access, line: whocan.Line) -> bool:
    return line.clinician is not None and mine.is_self(line.clinician)


def _asked(mine: Access, unit: Unit, procedure: Procedure, name: str) -> dict[str, object]:
    if not name.strip():
        return {}
    found = whocan.look_up(mine, name, procedure, unit.pk)
    note_views(mine.user, [each.clinician for each in found] or [None], "who_can")
    return {"asked": name.strip(), "found": found, "most": whocan.MOST_FOUND}
