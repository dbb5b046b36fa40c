"""Writing a checklist on the screen: begun, changed row by row, moved with buttons, checked, proposed."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from audits.models import Checklist, ChecklistDraft
from credentials import checklist_drafts as writing
from credentials.checklist_edits import GONE, PARTS, Edit, move, put, put_ratings, remove, row_of
from credentials.checklist_pages import being_written, draft_shown
from credentials.forms_checklists import ROW_FORMS, BeginForm, ProposeForm, Revised, WordsForm, first_of
from credentials.views.documents import PROPOSED
from people import access
from people.access import Access, Right
from people.pages import go, page, show_problems
from people.problems import Problems

FORM = ["GET", "POST"]
WAYS = {"up": -1, "down": 1}
PART_WORDS = {"step": "step", "phase": "phase", "value": "local value"}


@require_http_methods(FORM)
def begin(request: HttpRequest) -> HttpResponse:
    """For which unit and procedure, and from what; and what is being written already."""
    mine = access.of(request)
    units = mine.units_for(Right.KEEP_RULES)
    start = {"unit": first_of(units, request.GET.get("unit")), "procedure": request.GET.get("procedure")}
    form = BeginForm(request.POST or None, tree=mine.tree, units=units, initial=start)
    if request.method == "POST" and form.is_valid():
        try:
            made = writing.begin(actor=mine.user, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        except writing.AlreadyProposed as told:
            return go(request, "document", "checklist", form.cleaned_data["uuid"], message=str(told))
        else:
            return go(request, "checklist_draft", made.uuid)
    context = {"form": form, "drafts": being_written(mine)}
    return page(request, "credentials/checklist_begin.html", context)


@require_http_methods(FORM)
def draft(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """All of it, with what differs from the version in force; buttons move steps and phases."""
    mine, row = _draft(request, uuid)
    if row is None:
        return _proposed(request, uuid)
    if request.method == "POST":
        return _moved(request, mine, row)
    return page(request, "credentials/checklist_draft.html", draft_shown(row) | {"path": mine.tree.path(row.unit_id)})


@require_http_methods(FORM)
def part(request: HttpRequest, uuid: UUID, part: str, key: str = "") -> HttpResponse:
    """One step, phase or local value: a new one without a key."""
    mine, row = _draft(request, uuid)
    if row is None:
        return _proposed(request, uuid)
    said = row_of(row.content, part, key) if key else {"phase": request.GET.get("phase")}
    if said is None:
        return go(request, "checklist_draft", uuid, message=GONE)
    kind = ROW_FORMS[part]
    form = kind(request.POST or None, draft=row, initial=said)
    edit = None
    if "remove" in request.POST and key:
        form = kind(_with_revision(request, said), draft=row, initial=said)
        edit = remove(part, key) if form.is_valid() else None
    elif request.method == "POST" and form.is_valid():
        edit = put(part, key, form.said())
    now = None
    if edit is not None:
        form, now = _saved(request, mine, row, form, edit)
        if not form.errors:
            return go(request, _place(uuid, part, key, form.said()))
    as_saved = row_of(now.content, part, key) if now and key else None
    context = {
        "form": form,
        "draft": row,
        "part": PART_WORDS[part],
        "key": key,
        "now": form.lines(as_saved) if as_saved else [],
        "path": mine.tree.path(row.unit_id),
    }
    return page(request, "credentials/checklist_part.html", context)


@require_http_methods(FORM)
def words(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """The name of the version and the words of the overall impression."""
    mine, row = _draft(request, uuid)
    if row is None:
        return _proposed(request, uuid)
    start = {"name": row.name, "ratings": "\n".join(row.content["ratings"])}
    form: Revised = WordsForm(request.POST or None, draft=row, initial=start)
    now = None
    if request.method == "POST" and form.is_valid():
        edit = put_ratings(form.cleaned_data["ratings"].splitlines())
        form, now = _saved(request, mine, row, form, edit, name=form.cleaned_data["name"])
        if not form.errors:
            return go(request, "checklist_propose" if "check" in request.GET else "checklist_draft", uuid)
    as_saved = {"name": now.name, "ratings": "; ".join(now.content["ratings"])} if now else {}
    context = {
        "form": form,
        "draft": row,
        "part": "name and impressions",
        "now": form.lines(as_saved),
        "path": mine.tree.path(row.unit_id),
    }
    return page(request, "credentials/checklist_part.html", context)


@require_POST
def draft_drop(request: HttpRequest, uuid: UUID) -> HttpResponse:
    mine, row = _draft(request, uuid)
    if row is None:
        return _proposed(request, uuid)
    writing.drop(user=mine.user, draft=row)
    return go(request, "rules", message="The draft was thrown away.")


@require_http_methods(FORM)
def propose(request: HttpRequest, uuid: UUID) -> HttpResponse:
    """Check what is about to be proposed; then it waits for a second person."""
    mine, row = _draft(request, uuid)
    if row is None:
        return _proposed(request, uuid)
    form = ProposeForm(request.POST or None, draft=row, initial={"effective_on": mine.on})
    if request.method == "POST" and form.is_valid():
        try:
            made = writing.propose_draft(actor=mine.user, draft=row, name=row.name, **form.cleaned_data)
        except Problems as problems:
            show_problems(form, problems)
        except writing.Changed as told:
            form = ProposeForm(_with_revision(request, {}, told.draft.revision), draft=row)
            form.add_error(None, f"{told} Below is how it is now: look through it again.")
            row = told.draft
        except writing.AlreadyProposed:
            return _proposed(request, uuid)
        else:
            return go(request, "document", "checklist", made.uuid, message=PROPOSED)
    context = draft_shown(row) | {"form": form, "path": mine.tree.path(row.unit_id)}
    return page(request, "credentials/checklist_propose.html", context)


def _draft(request: HttpRequest, uuid: UUID) -> tuple[Access, ChecklistDraft | None]:
    """The draft, for who keeps the rules of its unit; None where it became a version that one may read."""
    mine = access.of(request)
    row = ChecklistDraft.objects.filter(uuid=uuid).select_related("unit", "procedure", "changed_by").first()
    if row is None:
        if not Checklist.objects.filter(uuid=uuid).exists():
            raise Http404("No draft has this identifier.")
        return mine, None
    mine.get_unit(row.unit_id, Right.KEEP_RULES)
    return mine, row


def _proposed(request: HttpRequest, uuid: UUID) -> HttpResponse:
    return go(request, "document", "checklist", uuid, message="This draft was proposed already.")


def _moved(request: HttpRequest, mine: Access, row: ChecklistDraft) -> HttpResponse:
    way, _, rest = request.POST.get("move", "").partition(":")
    part, _, key = rest.partition(":")
    revision = request.POST.get("revision", "")
    if way not in WAYS or part not in PARTS or not revision.isdigit():
        raise Http404("Nothing is moved like this.")
    try:
        writing.change(user=mine.user, draft=row, revision=int(revision), edit=move(part, key, WAYS[way]))
    except writing.Changed as told:
        return go(request, "checklist_draft", row.uuid, message=f"{told} Nothing was moved: look again.")
    except Problems as problems:
        return go(request, "checklist_draft", row.uuid, message=str(problems))
    return go(request, _place(row.uuid, part, key, {}))


def _saved(
    request: HttpRequest, mine: Access, row: ChecklistDraft, form: Revised, edit: Edit, **more: Any
) -> tuple[Revised, ChecklistDraft | None]:
    """Save the edit. The form bears what was refused; with it the draft as somebody else saved it meanwhile."""
    revision = form.cleaned_data["revision"]
    try:
        writing.change(user=mine.user, draft=row, revision=revision, edit=edit, **more)
    except Problems as problems:
        show_problems(form, problems)
    except writing.Changed as told:
        # What was typed stays; sent again it is saved over what the page now shows beside it.
        form = type(form)(_with_revision(request, form.data, told.draft.revision), draft=told.draft)
        form.add_error(None, f"{told} Compare, then save again: nothing of yours is lost.")
        return form, told.draft
    return form, None


def _with_revision(request: HttpRequest, said: Any, revision: int | None = None) -> dict[str, Any]:
    """What was sent, completed from `said`, with another revision where one is given."""
    typed = {name: request.POST.get(name) for name in request.POST}
    data = {**{name: value for name, value in said.items() if value is not False}, **typed}
    return data if revision is None else {**data, "revision": revision}


def _place(uuid: UUID, part: str, key: str, said: Mapping[str, Any]) -> str:
    """The draft's page, at the row that was changed, or for a new step at its phase."""
    at = f"{part}-{key}" if key else f"phase-{said['phase']}" if part == "step" else f"{part}s"
    return reverse("checklist_draft", args=[uuid]) + f"#{at}"
