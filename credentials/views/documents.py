"""Rules and programmes: what is in force where, versions proposed, compared and approved."""

import json
from collections.abc import Iterable, Mapping
from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.http import require_http_methods, require_POST

from audits.models import Procedure
from credentials import proposing
from credentials.documents import programmes_known, rules_known
from credentials.forms import DocumentForm, NewDocumentForm, PartForm
from credentials.models import Programme, Proposed, Rules
from credentials.rules import ruleset, terms
from credentials.rules.reading import Field
from credentials.wording import OPTION_WORDS, RULE_EXPLAINED, RULE_WORDS
from people import access
from people.access import Access, Right
from people.forms import SignForm
from people.models import Unit
from people.pages import go, page, show_problems
from people.problems import Problem, Problems
from people.signing import NotConfirmed

KINDS: dict[str, type[Proposed]] = {"rules": Rules, "programme": Programme}
WORKED_OUT = "limit"  # of drift: belongs to the run length, never typed


@require_http_methods(["GET"])
def rules(request: HttpRequest) -> HttpResponse:
    """What is in force at the units of whoever asks, what waits, and what was before."""
    mine = access.of(request)
    units = sorted(mine.neighbourhood | mine.units_for(Right.KEEP_RULES))
    above = {each for unit in units for each in mine.tree.above(unit)}
    context: dict[str, Any] = {"keeps": mine.may_somewhere(Right.KEEP_RULES), "parts": []}
    for word, model in KINDS.items():
        rows = model._default_manager.filter(unit__in=above).select_related(
            "unit", "procedure", "proposed_by", "approved_by"
        )
        context["parts"].append(
            {"word": word, "rows": [_Row(mine, row) for row in rows.order_by("procedure", "unit", "-version")]}
        )
    return page(request, "credentials/rules.html", context)


@require_http_methods(["GET", "POST"])
def document(request: HttpRequest, kind: str, uuid: UUID) -> HttpResponse:
    """One version: its values beside those of the version before, and for a second person its approval."""
    mine, row = _row(request, kind, uuid)
    waits = row.approved_id is None and row.known_until_id is None
    approves = waits and mine.may(Right.KEEP_RULES, row.unit_id) and row.proposed_by_id != mine.user.pk
    form = SignForm(request, request.POST or None, digests=[proposing.document_digest(row)]) if approves else None
    if request.method == "POST" and form is None:
        raise access.NotPermitted(f"{mine.user.pk} may not approve {kind} {row.uuid}")
    if form and form.is_valid() and (signer := form.signed(meaning=proposing.MEANING)):
        try:
            proposing.approve(signer=signer, document=row)
        except Problems as problems:
            show_problems(form, problems)
        except (NotConfirmed, proposing.AlreadyDecided) as refusal:
            form.add_error(None, str(refusal))
        else:
            return go(request, "rules", message=f"{row} is approved.")
    context = {
        "row": _Row(mine, row),
        "kind": kind,
        "parts": list(_compared(row, _before(row))),
        "form": form,
        "waits": waits,
        "own": waits and row.proposed_by_id == mine.user.pk,
        "keeps": mine.may(Right.KEEP_RULES, row.unit_id),
    }
    return page(request, "credentials/document.html", context)


@require_http_methods(["GET", "POST"])
def document_begin(request: HttpRequest, kind: str) -> HttpResponse:
    """For which unit and procedure a version is begun."""
    _model(kind)
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
    unit = Unit.objects.get(pk=mine.get_unit(unit_id, Right.KEEP_RULES))
    procedure = Procedure.objects.filter(pk=procedure_id).first()
    if procedure is None:
        raise Http404("No procedure has this number.")
    start = _in_force(kind, mine, unit_id, procedure_id)
    form = DocumentForm(request.POST or None, initial={"name": start["name"], "effective_on": mine.on})
    parts = _part_forms(kind, request.POST or None, start["content"])
    if request.method == "POST" and all([form.is_valid(), *(part.is_valid() for _, part in parts)]):
        try:
            made = proposing.propose(
                model,
                actor=mine.user,
                unit=unit,
                procedure=procedure,
                content=_content(kind, parts),
                **form.cleaned_data,
            )
        except Problems as problems:
            _show(form, parts, problems)
        else:
            return go(
                request, "document", kind, made.uuid, message="Proposed. It binds once somebody else approves it."
            )
    context = {
        "form": form,
        "parts": [(part.prefix or "", words, explained, part) for (words, explained), part in parts],
        "parts_with_words": parts,
        "kind": kind,
        "procedure": procedure,
        "path": mine.tree.path(unit_id),
    }
    # The frame finds the mistakes of forms that stand in the context by a name of their own.
    context |= {f"part_{place}": part for place, (_, part) in enumerate(parts)}
    return page(request, "credentials/document_propose.html", context)


@require_POST
def document_take_back(request: HttpRequest, kind: str, uuid: UUID) -> HttpResponse:
    _, row = _row(request, kind, uuid)
    try:
        proposing.take_back(actor=request.user, document=row)  # type: ignore[arg-type]
    except proposing.AlreadyDecided as refusal:
        return go(request, "document", kind, uuid, message=str(refusal))
    return go(request, "rules", message=f"{row} was taken back.")


class _Row:
    """A version as lists and pages name it."""

    def __init__(self, mine: Access, row: Proposed) -> None:
        self.row = row
        self.path = mine.tree.path(row.unit_id)
        self.proposer = row.proposed_by.name if row.proposed_by else "the example that came with Sited"

    @property
    def state(self) -> str:
        if self.row.approved_by:
            return f"approved by {self.row.approved_by.name}"
        return "taken back" if self.row.known_until_id else "waits for approval by a second person"


def _model(kind: str) -> type[Proposed]:
    if kind not in KINDS:
        raise Http404("There are rules and programmes.")
    return KINDS[kind]


def _row(request: HttpRequest, kind: str, uuid: UUID) -> tuple[Access, Proposed]:
    mine = access.of(request)
    row = (
        _model(kind)
        ._default_manager.filter(uuid=uuid)
        .select_related("unit", "procedure", "proposed_by", "approved_by")
        .first()
    )
    seen = {each for unit in mine.neighbourhood | mine.units_for(Right.KEEP_RULES) for each in mine.tree.above(unit)}
    if row is None or row.unit_id not in seen:
        raise Http404("No such version in scope.")
    return mine, row


def _before(row: Proposed) -> Proposed | None:
    rows = type(row)._default_manager.filter(unit=row.unit_id, procedure=row.procedure_id, version__lt=row.version)
    return rows.filter(approved__isnull=False).order_by("-version").first()


def _fields(kind: str) -> Iterable[tuple[str, str, str, tuple[Field, ...]]]:
    """(name of the part, its words, what it asks, its fields)."""
    if kind == "programme":
        yield "", "Terms", "", terms.FIELDS
        return
    for rule, fields in ruleset.PARAMETERS.items():
        yield rule, RULE_WORDS[rule], RULE_EXPLAINED[rule], tuple(each for each in fields if each.name != WORKED_OUT)


def _kind_of(row: Proposed) -> str:
    return next(kind for kind, model in KINDS.items() if isinstance(row, model))


def _compared(row: Proposed, before: Proposed | None) -> Iterable[dict[str, Any]]:
    """Each part with its values now and before."""
    kind, now = _kind_of(row), json.loads(row.content)
    then = json.loads(before.content) if before else None
    for name, words, explained, _ in _fields(kind):
        fields = terms.FIELDS if kind == "programme" else ruleset.PARAMETERS[name]
        yield {
            "words": words,
            "explained": explained,
            "lines": [
                {
                    "label": each.label or each.name.replace("_", " "),
                    "now": _said(_part(now, kind, name).get(each.name)),
                    "before": _said(_part(then, kind, name).get(each.name)) if then is not None else "",
                }
                for each in fields
            ],
        }


def _part(content: Mapping[str, Any], kind: str, name: str) -> Mapping[str, Any]:
    found: Mapping[str, Any] = content if kind == "programme" else content["rules"].get(name, {})
    return found


def _said(value: object) -> str:
    if value is None:
        return "as by default"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(str(each).replace("_", " ") for each in value)
    return OPTION_WORDS.get(str(value), str(value))


def _in_force(kind: str, mine: Access, unit_id: int, procedure_id: int) -> dict[str, Any]:
    """What a new version begins with: the one in force there, else the defaults."""
    shelf: Any = rules_known() if kind == "rules" else programmes_known()
    row = shelf.binding(procedure_id, mine.tree.above(unit_id), mine.on)
    if row is not None:
        return {"name": row.name, "content": json.loads(row.content)}
    content = ruleset.default_content() if kind == "rules" else terms.Terms().to_content()
    return {"name": "Local rules" if kind == "rules" else "Local programme", "content": content}


def _part_forms(kind: str, data: Any, content: Mapping[str, Any]) -> list[tuple[tuple[str, str], PartForm]]:
    return [
        (
            (words, explained),
            PartForm(data, part=fields, prefix=name or None, initial=dict(_part(content, kind, name))),
        )
        for name, words, explained, fields in _fields(kind)
    ]


def _content(kind: str, parts: list[tuple[tuple[str, str], PartForm]]) -> dict[str, Any]:
    if kind == "programme":
        return parts[0][1].content
    return {"again_after": 10, "rules": {str(part.prefix): part.content for _, part in parts}}


def _show(form: DocumentForm, parts: list[tuple[tuple[str, str], PartForm]], problems: Problems) -> None:
    """Put each refusal beside the value that it names: 'rules.drift.acceptable' is in the part of drift."""
    by_prefix = {part.prefix or "": part for _, part in parts}
    for item in problems.items:
        head, _, field = item.field.rpartition(".")
        part = by_prefix.get(head.removeprefix("rules.") if head else "")
        if part is not None and field in part.fields:
            part.add_error(field, item.text)
        else:
            show_problems(form, Problems([Problem(item.field, item.text)]))
