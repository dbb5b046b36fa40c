"""Set-up of accounts and appointments."""

from collections.abc import Callable
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from people import access, accounts, appointing, exports, tables
from people.access import Access, Right
from people.forms import AccountForm, AppointForm, ThroughForm
from people.models import Appointment, Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from sheets.listing import export, page_of


@require_http_methods(["GET", "POST"])
def account_list(request: HttpRequest) -> HttpResponseBase:
    mine = access.of(request)
    listing = tables.account_list(mine)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    return page(request, "people/accounts.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html")


@require_http_methods(["GET", "POST"])
def account_open(request: HttpRequest) -> HttpResponse:
    """Open an account; for a clinician (?for=uuid) it is joined to that person."""
    mine = access.of(request)
    clinician = _for_whom(mine, request.GET.get("for", ""))
    start = {"name": clinician.name, "profession": clinician.profession} if clinician else {}
    form = AccountForm(request.POST or None, is_new=True, initial=start)
    if request.method == "POST" and form.is_valid():
        try:
            user = accounts.open_account(actor=mine.user, clinician=clinician, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "account_page", user.uuid, message="The account is open. Now invite its owner.")
    return page(request, "people/account_form.html", {"form": form, "clinician": clinician})


@require_http_methods(["GET"])
def account_page(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    user = accounts.get_account(mine, uuid)
    user.invited = list(user.invitations.all())  # type: ignore[attr-defined]
    rows = Appointment.objects.known().filter(user=user).order_by("-from_day", "id")
    context = {
        "account": user,
        "state": tables.state_words(user),
        "is_self": user.pk == mine.user.pk,
        "appointments": [(each, mine.tree.path(each.unit_id)) for each in rows],
        "on": mine.on,
    }
    return page(request, "people/account_page.html", context)


@require_http_methods(["GET", "POST"])
def account_change(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    user = accounts.get_account(mine, uuid)
    start = {"name": user.name, "profession": user.profession, "registration": user.registration}
    form = AccountForm(request.POST or None, is_new=False, initial=start)
    if request.method == "POST" and form.is_valid():
        try:
            accounts.change_account(actor=mine.user, user=user, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "account_page", user.uuid, message="Changed, for what is signed from now on.")
    return page(request, "people/account_form.html", {"form": form, "account": user})


@require_POST
def account_invite(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Invite the owner: by mail; a first invitation is also shown, once, to hand over in person."""
    mine = access.of(request)
    user = accounts.get_account(mine, uuid)
    try:
        token = accounts.invite(actor=mine.user, user=user)
    except Problems as problems:
        messages.error(request, str(problems))
        return go(request, "account_page", user.uuid)
    url = request.build_absolute_uri(reverse("invitation", args=[token]))
    is_sent = accounts.mail_invitation(user, url)
    shown = "" if accounts.must_be_mailed(user) else url
    return page(request, "people/invited.html", {"account": user, "url": shown, "is_sent": is_sent})


@require_POST
def account_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return _switch(request, uuid, accounts.end_account, "The account has ended. What was signed with it stays.")


@require_POST
def account_restore(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return _switch(request, uuid, accounts.restore_account, "The account is open again.")


@require_http_methods(["GET", "POST"])
def appoint(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    user = accounts.get_account(mine, uuid)
    form = AppointForm(request.POST or None, tree=mine.tree, units=mine.units_for(Right.ADMINISTER), today=mine.on)
    if request.method == "POST" and form.is_valid():
        try:
            appointing.appoint(actor=mine.user, user=user, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "account_page", user.uuid, message="Appointed.")
    return page(request, "people/appoint.html", {"form": form, "account": user})


@require_http_methods(["GET", "POST"])
def appointment_end(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine = access.of(request)
    row = Appointment.objects.known().filter(uuid=uuid).select_related("user").first()
    if row is None or row.unit_id not in mine.units_for(Right.ADMINISTER):
        raise Http404("No appointment to administer has this identifier.")
    form = ThroughForm(request.POST or None, initial={"until_day": row.until_day})
    if request.method == "POST" and form.is_valid():
        try:
            appointing.end_appointment(actor=mine.user, appointment=row, until_day=form.cleaned_data["until_day"])
        except Problems as problems:
            show_problems(form, problems)
        else:
            return go(request, "account_page", row.user.uuid, message="The appointment's last day is set.")
    words = tables.appointment_words(row, mine.tree)
    return page(request, "people/appointment_end.html", {"form": form, "row": row, "words": words})


def _switch(request: HttpRequest, uuid: UUID, verb: Callable[..., None], done: str) -> HttpResponse:
    mine = access.of(request)
    user = accounts.get_account(mine, uuid)
    try:
        verb(actor=mine.user, user=user)
    except Problems as problems:
        messages.error(request, str(problems))
        done = ""
    return go(request, "account_page", user.uuid, message=done)


def _for_whom(mine: Access, uuid: str) -> Clinician | None:
    if not uuid:
        return None
    try:
        return mine.get_clinician(UUID(uuid), Right.PLACE)
    except ValueError:
        raise Http404("That is no identifier.") from None
