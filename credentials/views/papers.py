"""Papers to take away, certificates given out and revoked, and the public page behind a certificate's code."""

from functools import partial
from pathlib import Path
from uuid import UUID

from django.conf import settings
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from audits.models import Award
from credentials.forms_papers import PaperForm, RevokeForm
from credentials.models import Certificate
from credentials.papers import certificates, making, verifier
from people import access
from people.access import Access, NotPermitted, Right
from people.deciding import Steps, ToSign, in_two_steps
from people.lookups import note_view
from people.models import Clinician
from people.pages import go, page, show_problems
from people.problems import Problems
from people.throttle import is_too_often

FORM = ["GET", "POST"]
MOST_LOOK_UPS = 120  # within the throttle's quarter of an hour, by address: a hospital is often behind one


@require_http_methods(FORM)
def papers(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """What may be taken away about somebody; by POST one paper, as a file."""
    mine, clinician = _about(request, uuid)
    form = PaperForm(request.POST or None, initial={"kind": making.LOGBOOK, "form": "pdf"})
    if form.is_bound:
        mine.require_about(Right.FIGURES, clinician)
        if form.is_valid():
            try:
                made = making.make(actor=mine.user, clinician=clinician, **form.cleaned_data)
            except Problems as problems:
                show_problems(form, problems)
            else:
                return _file(made.name, made.type, made.file)
    return _page(request, mine, clinician, form)


@require_http_methods(["POST"])
def certificate_give(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """A certificate of one award, as a file; its code is shown nowhere else again."""
    mine, clinician = _about(request, uuid)
    if not certificates.may_give_out(mine, clinician):
        raise NotPermitted(f"{mine.user.pk} gives out no certificate of clinician {clinician.pk}")
    award = Award.objects.known().filter(clinician=clinician, uuid=_asked_for(request)).first()
    if award is None:
        raise Http404("This person has no such award.")
    try:
        made = certificates.give_out(actor=mine.user, award=award, address=lambda token: _address(request, token))
    except Problems as problems:
        form = PaperForm({})
        form.full_clean()
        form.errors.clear()
        show_problems(form, problems)
        return _page(request, mine, clinician, form)
    return _file(f"certificate-{clinician.staff_number}-{made.row.made_id}.pdf", making.TYPES["pdf"], made.file)


@require_http_methods(FORM)
def certificate_revoke(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Why, the check page, the signature."""
    mine = access.of(request)
    rows = Certificate.objects.filter(uuid=uuid, clinician__in=mine.in_scope())
    row = rows.select_related("clinician", "procedure", "by").first()
    if row is None:
        raise Http404("No certificate in scope has this identifier.")
    mine.require_about(Right.DECIDE, row.clinician)
    asked = RevokeForm(request.POST or None)

    def typed() -> ToSign:
        reason = asked.cleaned_data["reason"]
        certificates.check_revocation(row, reason)
        return ToSign(
            digest=certificates.revocation_digest(row, reason),
            carry_out=lambda signer: certificates.revoke(signer=signer, certificate=row, reason=reason),
            context={"reason": reason},
        )

    steps = Steps(
        ask="credentials/certificate_revoke.html",
        check="credentials/certificate_revoke_check.html",
        meaning=certificates.MEANING,
        context={"row": row},
    )
    message = "The certificate is revoked."
    done = partial(go, request, "papers", row.clinician.uuid, message=message)
    return in_two_steps(request, asked, steps, typed=typed, done=done)


@require_http_methods(["GET"])
def certificate_public(request: HttpRequest, token: str) -> HttpResponse:
    """Whether a certificate still holds, for anybody who has its code; nothing else, and the same for any other."""
    if is_too_often(request, "certificate", most=MOST_LOOK_UPS):
        return _quietly(render(request, "credentials/certificate_wait.html", status=429))
    found = certificates.look_up(token)
    status = 404 if found is None else 200
    return _quietly(render(request, "credentials/certificate_public.html", {"found": found}, status=status))


@require_http_methods(["GET"])
def verify_script(request: HttpRequest) -> HttpResponseBase:
    """The script that checks an evidence file without the register."""
    path = Path(verifier.__file__)
    return FileResponse(
        path.open("rb"), as_attachment=True, filename="verify_evidence.py", content_type="text/x-python"
    )


def _about(request: HttpRequest, uuid: UUID) -> tuple[Access, Clinician]:
    """Whose papers whoever asks may take: those whose figures they see, or to whom they may give a certificate."""
    mine = access.of(request)
    clinician = mine.get_clinician(uuid, Right.ANSWER)
    if not (mine.may_about(Right.FIGURES, clinician) or certificates.may_give_out(mine, clinician)):
        raise NotPermitted(f"{mine.user.pk} takes no papers about clinician {clinician.pk}")
    return mine, clinician


def _page(request: HttpRequest, mine: Access, clinician: Clinician, form: PaperForm) -> HttpResponse:
    if not mine.is_self(clinician):
        note_view(mine.user, clinician, "papers")
    gives = certificates.may_give_out(mine, clinician)
    context = {
        "clinician": clinician,
        "form": form,
        "takes": mine.may_about(Right.FIGURES, clinician),
        "gives": gives,
        "holdings": certificates.holdings_of(clinician) if gives else (),
        "given": certificates.of(clinician),
        "revokes": mine.may_about(Right.DECIDE, clinician),
        "is_self": mine.is_self(clinician),
        "zone": mine.tree.zone(mine.tree.root),
    }
    return page(request, "credentials/papers.html", context)


def _asked_for(request: HttpRequest) -> UUID:
    try:
        return UUID(request.POST.get("award", ""))
    except ValueError:
        raise Http404("This person has no such award.") from None


def _address(request: HttpRequest, token: str) -> str:
    """The public page's address: by the name that the settings give, else by the one that was asked."""
    path = reverse("certificate_public", args=[token])
    return f"{settings.SITED_PUBLIC_URL}{path}" if settings.SITED_PUBLIC_URL else request.build_absolute_uri(path)


def _file(name: str, type_: str, file: bytes) -> HttpResponse:
    return HttpResponse(file, content_type=type_, headers={"Content-Disposition": f'attachment; filename="{name}"'})


def _quietly(answer: HttpResponse) -> HttpResponse:
    """For no search engine, and no address passed on: the address is the key."""
    answer["X-Robots-Tag"] = "noindex, nofollow, noarchive"
    answer["Referrer-Policy"] = "no-referrer"
    answer["Cache-Control"] = "no-store"
    return answer
