"""Agreement of raters, and what a cohort misses."""

from collections.abc import Sequence
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.views.decorators.http import require_GET, require_http_methods

from audits import agreeing, missing, rater_questions
from audits.agreeing import Group, Line
from audits.charts import missed_over_time, missed_table
from audits.forms_missed import BY, MissedForm
from audits.missing import Missed
from audits.tables_agreement import agreement_list, missed_list, question_list
from audits.wording_versions import version_words
from people import access, exports
from people.access import Access, Right
from people.pages import page
from sheets.listing import export, page_of


@require_GET
def agreement(request: HttpRequest) -> HttpResponse:
    """How alike the same practice was marked, one's own marking, and for educators what may be asked."""
    mine = access.of(request)
    groups = agreeing.groups(mine)
    group = _chosen(groups, request.GET.get("of", ""))
    sheets = rater_questions.sheets(mine)
    context: dict[str, Any] = {
        "choices": [(each, version_words(each.checklist, mine.tree)) for each in groups],
        "group": group,
        "in_charge": mine.may_somewhere(Right.FIGURES),
        "own": [(each, version_words(each.checklist, mine.tree)) for each in rater_questions.own_marking(sheets)],
        "apart": rater_questions.own_apart(sheets),
        "least": agreeing.LEAST,
    }
    if group:
        lines = agreeing.agreement(mine, group)
        context |= {"listing": page_of(request, agreement_list(lines, group)), "differ": _apart(lines)}
    if mine.may_somewhere(Right.DECIDE):
        context["questions"] = page_of(request, question_list(rater_questions.questions(sheets), mine.tree))
    return page(request, "audits/agreement.html", context, fragment="tables/listing.html")


@require_http_methods(["GET", "POST"])
def missed_steps(request: HttpRequest) -> HttpResponseBase:
    """Topics to teach from what was watched in the units in one's charge; small groups of people are never shown."""
    mine = access.of(request)
    offered = missing.offered(mine)
    if not offered:
        return page(request, "audits/missed.html")
    form = MissedForm(request.GET, access=mine, offered=offered)
    if not form.is_valid():
        return page(request, "audits/missed.html", {"form": form})
    found = missing.missed(mine, form.asked)
    notes = _notes(mine, form, found)
    query = {name: value for name, value in form.data.items() if value}
    listing = missed_list(found, by=form.cleaned_data["by"], tree=mine.tree, query=query, notes=notes)
    if request.method == "POST":
        return export(request, listing, on_export=lambda made: exports.record(actor=mine.user, made=made))
    context = {"form": form, "found": found, "notes": notes, "listing": page_of(request, listing), "by": BY}
    return page(request, "audits/missed.html", {**context, **_over_time(form, found)}, fragment="tables/listing.html")


def _apart(lines: Sequence[Line]) -> list[Line]:
    return [each for each in lines if each.alike < each.practices]


def _chosen(groups: list[Group], key: str) -> Group | None:
    """The group that the address names, else the one most often rated. Raises Http404 for one that is not in sight."""
    if not key:
        return groups[0] if groups else None
    for each in groups:
        if each.key == key:
            return each
    raise Http404("No pair of ratings in scope is of this.")


def _notes(mine: Access, form: MissedForm, found: Missed) -> list[str]:
    """What the figures are of, for the page and for the file that is taken away."""
    asked = found.asked
    span = asked.first.words if asked.first == asked.last else f"{asked.first.words} through {asked.last.words}"
    practices = "1 practice" if found.practices == 1 else f"{found.practices} practices"
    what = f"{version_words(asked.checklist, mine.tree)}; {asked.setting_words.lower()}"
    notes = [
        f"{what}; {mine.tree.path(asked.unit)} with all below; {span}; {form.cohort_words}: "
        f"{practices} watched, as far as it may be shown.",
        f"Nothing is shown that rests on fewer than {found.least} people: it is counted together with other units "
        "higher up, or nowhere, and is in no total.",
    ]
    if found.has_left or any(step.all.has_left for step in found.steps):
        notes.append("Some of what was watched is left out here, because it rests on too few people.")
    return notes


def _over_time(form: MissedForm, found: Missed) -> dict[str, Any]:
    """The step that was chosen, or the heaviest, quarter by quarter."""
    step = found.step(form.cleaned_data["step"]) or next(iter(found.steps), None)
    if step is None or not step.all.watched:
        return {}
    periods = [(quarter.words, tally.missed, tally.watched) for quarter, tally in step.by_quarter.items()]
    caption = (
        f"Not met, or met only after a prompt, in each quarter, with the 95% interval; {step.all.words} in all. A gap "
        "is a quarter in which nothing may be shown; a ring stands for fewer than 20."
    )
    return {
        "step": step,
        "svg": missed_over_time(step.text, periods),
        "caption": caption,
        "table": missed_table(periods),
    }
