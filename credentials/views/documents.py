"""Rules, programmes and checklists: what is in force where, versions proposed, compared and approved."""

import json
from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_http_methods, require_POST

from audits.models import Checklist, Procedure
from credentials import checklist_pages, policies, proposing, retiring, tables
from credentials.chances import chances_of
from credentials.comparing import compared, parts
from credentials.documents import programmes_known, rules_known
from credentials.forms import DocumentForm, NewDocumentForm, PartForm, Signing
from credentials.models import Proposed
from credentials.rules import ruleset, terms
from credentials.standings import refresh
from credentials.versions import KINDS, State, before, concerning, version_of, versions
from people import access, exports
from people.access import Access, Right
from people.models import Unit
from people.pages import go, page, show_problems
from people.problems import Problem, Problems
from people.signing import NotConfirmed
from sheets.listing import export, page_of

CHECKLIST = "checklist"
PROPOSED = "Proposed. It binds once somebody else approves it."


@require_http_methods(["GET", "POST"])
def rules(request: HttpRequest) -> HttpResponseBase:
    """What is in force at the units of whoever asks, what waits, and what was before."""
    mine = access.of(request)
    rows = versions(mine)
    listing = tables.documents(rows, procedures=list(Procedure.objects.all()))
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {
        "listing": page_of(request, listing),
        "keeps": mine.may_somewhere(Right.KEEP_RULES),
        "waiting": [each for each in rows if each.at is State.WAITS and mine.may(Right.KEEP_RULES, each.row.unit_id)],
        "retirements": retiring.waiting(mine),
        "drafts": checklist_pages.being_written(mine),
    }
    return page(request, "credentials/rules.html", context, fragment="tables/listing.html")


@require_http_methods(["GET", "POST"])
def document(request: HttpRequest, kind: str, uuid: UUID) -> HttpResponse:
    """One version: its values beside those of the version before, and for a second person its approval."""
    mine, row = _row(request, kind, uuid)
    version = version_of(mine, kind, row)
    waits, keeps = version.at is State.WAITS, mine.may(Right.KEEP_RULES, row.unit_id)
    own = row.proposed_by_id == mine.user.pk
    approves = waits and keeps and not own
    form = Signing(request, request.POST or None, digests=[proposing.document_digest(row)]) if approves else None
    if request.method == "POST" and form is None:
        if keeps and not own:
            return go(request, "document", kind, uuid, message="This version was decided before.")
        raise access.NotPermitted(f"{mine.user.pk} may not approve {kind} {row.uuid}")
    if form and form.is_valid() and (signer := form.signed(meaning=proposing.MEANING)):
        try:
            proposing.approve(signer=signer, document=row)
        except Problems as problems:
            show_problems(form, problems)
        except (NotConfirmed, proposing.AlreadyDecided) as refusal:
            form.add_error(None, str(refusal))
        else:
            refresh()
            return go(request, "rules", message=f"{row} is approved.")
    context = {
        "version": version,
        "kind": kind,
        "form": form,
        "waits": waits,
        "own": waits and own,
        "keeps": keeps,
        "resting": policies.resting(kind, row.procedure_id, mine.tree.above(row.unit_id)),
    }
    if kind == CHECKLIST:
        return page(request, "credentials/checklist.html", context | checklist_pages.shown(mine, version))
    earlier = before(row)
    context |= {"earlier": earlier, "parts": compared(kind, row, earlier)}
    return page(request, "credentials/document.html", context)


@require_http_methods(["GET", "POST"])
def document_begin(request: HttpRequest, kind: str) -> HttpResponse:
    """For which unit and procedure a version is begun."""
    if _model(kind) is Checklist:
        return go(request, "checklist_begin")
    mine = access.of(request)
    form = NewDocumentForm(request.POST or None, tree=mine.tree, units=mine.units_for(Right.KEEP_RULES))
    if request.method == "POST" and form.is_valid():
        unit, procedure = form.cleaned_data["unit"], form.cleaned_data["procedure"]
        return go(request, "document_propose", kind, unit.pk, procedure.pk)
    return page(request, "credentials/document_begin.html", {"form": form, "kind": kind})


@require_http_methods(["GET", "POST"])
def document_propose(request: HttpRequest, kind: str, unit_id: int, procedure_id: int) -> HttpResponse:
    """Propose a version, begun from what is in force there."""
    model, mine = _model(kind), access.of(request)
    if model is Checklist:
        raise Http404("A checklist is written as a draft first.")
    unit = Unit.objects.get(pk=mine.get_unit(unit_id, Right.KEEP_RULES))
    procedure = Procedure.objects.filter(pk=procedure_id).first()
    if procedure is None:
        raise Http404("No procedure has this number.")
    start = _in_force(kind, mine, unit_id, procedure_id)
    form = DocumentForm(request.POST or None, initial={"name": start["name"], "effective_on": mine.on})
    asked = [
        PartForm(request.POST or None, part=part, prefix=part.name or None, initial=dict(part.of(start["content"])))
        for part in parts(kind)
    ]
    looked_at = start["content"]
    if request.method == "POST" and all([form.is_valid(), *(each.is_valid() for each in asked)]):
        content = looked_at = _content(asked)
        try:
            if "look" in request.POST:
                looked_at = proposing.usable(model, content)
            else:
                made = proposing.propose(
                    model, actor=mine.user, unit=unit, procedure=procedure, content=content, **form.cleaned_data
                )
                return go(request, "document", kind, made.uuid, message=PROPOSED)
        except Problems as problems:
            _show(form, asked, problems)
    faulty = any(each.errors for each in (form, *asked) if each.is_bound)
    context = {
        "form": form,
        "parts": [(each, [] if faulty else chances_of(each.part.name, each.part.of(looked_at))) for each in asked],
        "kind": kind,
        "procedure": procedure,
        "path": mine.tree.path(unit_id),
    }
    # The frame finds the mistakes of forms that stand in the context by a name of their own.
    context |= {f"part_{place}": each for place, each in enumerate(asked)}
    return page(request, "credentials/document_propose.html", context)


@require_POST
def document_take_back(request: HttpRequest, kind: str, uuid: UUID) -> HttpResponse:
    _, row = _row(request, kind, uuid)
    try:
        proposing.take_back(actor=request.user, document=row)  # type: ignore[arg-type]
    except proposing.AlreadyDecided as refusal:
        return go(request, "document", kind, uuid, message=str(refusal))
    return go(request, "rules", message=f"{row} was taken back.")


def _model(kind: str) -> type[Proposed]:
    if kind not in KINDS:
        raise Http404("There are rules, programmes and checklists.")
    return KINDS[kind]


def _row(request: HttpRequest, kind: str, uuid: UUID) -> tuple[Access, Proposed]:
    mine = access.of(request)
    rows = _model(kind)._default_manager.select_related("unit", "procedure", "proposed_by", "approved_by")
    row = rows.filter(uuid=uuid).first()
    if row is None or row.unit_id not in concerning(mine):
        raise Http404("No such version in scope.")
    return mine, row


def _in_force(kind: str, mine: Access, unit_id: int, procedure_id: int) -> dict[str, Any]:
    """What a new version begins with: the one in force there, else the defaults."""
    shelf: Any = rules_known() if kind == "rules" else programmes_known()
    row = shelf.binding(procedure_id, mine.tree.above(unit_id), mine.on)
    if row is not None:
        content = json.loads(row.content)
        # What was approved before a term existed has its default, and a form shows it.
        return {"name": row.name, "content": content if kind == "rules" else terms.Terms.parse(content).to_content()}
    content = ruleset.default_content() if kind == "rules" else terms.Terms().to_content()
    return {"name": "Local rules" if kind == "rules" else "Local programme", "content": content}


def _content(asked: list[PartForm]) -> dict[str, Any]:
    """What was typed, as the rules read it."""
    content: dict[str, Any] = {}
    for each in asked:
        if each.part.name:
            content.setdefault("rules", {})[each.part.name] = each.cleaned_data
        else:
            content |= each.cleaned_data
    return content


def _show(form: DocumentForm, asked: list[PartForm], problems: Problems) -> None:
    """Put each refusal beside the value that it names: 'rules.drift.acceptable' is in the part of drift."""
    by_name = {each.part.name: each for each in asked}
    for item in problems.items:
        head, _, field = item.field.rpartition(".")
        part = by_name.get(head.removeprefix("rules.") if head else "")
        if part is not None and field in part.fields:
            part.add_error(field, item.text[:1].upper() + item.text[1:] + ("" if item.text.endswith(".") else "."))
        else:
            show_problems(form, Problems([Problem(item.field, item.text)]))
