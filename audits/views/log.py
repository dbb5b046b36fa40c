"""Log: one insertion, at or near the bedside, for oneself or as an educator on behalf of somebody."""

from uuid import UUID

from django import forms
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods

from audits.entries import shown
from audits.forms import LogForm
from audits.logbook import Conflict, record_insertion
from audits.models import Insertion
from audits.settled import settled
from audits.tallies import holder, offered
from people import access
from people.access import Access, Right
from people.fields import Form
from people.models import Clinician
from people.naming import called
from people.pages import go, page
from people.problems import Problems

DRAFT = "log"


@require_http_methods(["GET", "POST"])
def log(request: HttpRequest) -> HttpResponse:
    """One's own insertion. Who does not insert is asked for whom."""
    mine = access.of(request)
    if mine.clinician is None:
        return redirect("log_whose")
    return _log(request, mine, mine.clinician)


@require_http_methods(["GET", "POST"])
def log_for(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    return _log(request, mine, mine.get_clinician(uuid, Right.LOG_ON_BEHALF))


@require_http_methods(["GET", "POST"])
def log_whose(request: HttpRequest) -> HttpResponse:
    """On whose behalf."""
    mine = access.of(request)
    form = WhoseForm(request.POST or None)
    found = form.find(mine) if request.method == "POST" and form.is_valid() else None
    if found is not None and len(found) == 1:
        return redirect("log_for", found[0].uuid)
    return page(request, "audits/log_whose.html", {"form": form, "found": found})


@require_http_methods(["GET"])
def log_saved(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """What was saved, who is asked to sign, and the code by which a colleague joins."""
    mine = access.of(request)
    found = shown(mine, uuid)
    if not found.is_own and not mine.may(Right.LOG_ON_BEHALF, found.version.unit_id):
        raise Http404("No entry of yours has this identifier.")
    return page(request, "audits/log_saved.html", {"shown": found})


class WhoseForm(Form):
    name = forms.CharField(label="Name or staff number", max_length=80)

    def find(self, mine: Access) -> list[Clinician]:
        rows = mine.clinicians_for(Right.LOG_ON_BEHALF)
        return list(rows.filter(called(self.cleaned_data["name"])).order_by("name", "pk")[:20])


def _log(request: HttpRequest, mine: Access, clinician: Clinician) -> HttpResponse:
    looks = "look" in request.POST
    form = _form(request, mine, clinician, looks=looks)
    status = None
    if request.method == "POST" and not looks and form.is_valid():
        try:
            made = record_insertion(actor=mine.user, entry=form.entry())
        except Problems as problems:
            form.show(problems)
        except Conflict:
            status = 409
            form.add_error(None, "This was saved already, with other answers. Open that entry and correct it.")
        else:
            settled(made.clinician_id)
            return go(request, "log_saved", made.uuid, message=_said(mine, made), done=DRAFT)
    return page(request, "audits/log.html", _context(mine, clinician, form) | {"draft": DRAFT}, status=status)


def _form(request: HttpRequest, mine: Access, clinician: Clinician, *, looks: bool) -> LogForm:
    is_own = mine.is_self(clinician)
    home = mine.home if is_own else clinician_home(mine, clinician)
    # One's own may be anywhere: people help out next door, and an emergency asks for no placement.
    units = mine.tree.nodes if is_own else mine.units_for(Right.LOG_ON_BEHALF)
    data = request.POST if request.method == "POST" else None
    return LogForm(
        None if looks else data,
        looked=data if looks else None,
        clinician=clinician,
        tree=mine.tree,
        units=units,
        unit=home if home in units else None,
    )


def clinician_home(mine: Access, clinician: Clinician) -> int | None:
    """The home unit of somebody else today."""
    rows = clinician.placements.known().on(mine.on).filter(home=True)
    found: int | None = rows.values_list("unit", flat=True).first()
    return found


def _context(mine: Access, clinician: Clinician, form: LogForm) -> dict[str, object]:
    # Named one by one, so that the summary at the top finds what is wrong in each.
    attempts = {f"attempt_{each.place}": each for each in form.attempts}
    home = mine.home if mine.is_self(clinician) else clinician_home(mine, clinician)
    asked = offered(holder(clinician, now=mine.tree), [] if home is None else [home])
    return {
        "form": form,
        "clinician": clinician,
        "is_own": mine.is_self(clinician),
        "fortnights": dict.fromkeys(each.fortnight_words for each in asked if each.fortnight_words),
        "tallies": any(each.asked.may_tally for each in asked),
    } | attempts


def _said(mine: Access, made: Insertion) -> str:
    for_whom = "" if made.clinician_user_id == mine.user.pk else f" for {made.clinician.name}, on their behalf"
    return f"Saved{for_whom}."
