"""The evidence file to be read by people: the same facts as the data, in words, for PDF and workbook."""

import json
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

from audits.models import Award, Completion, Observation, Procedure, Restriction
from audits.observation_pages import shown as observation_shown
from credentials.models import Enrolment, Flag
from credentials.papers import decided
from credentials.papers.entries import entries_of, facts_of, lines
from credentials.papers.paper import Paper, Section, moment_words
from credentials.restrictions_shown import shown_of
from credentials.rules.standing import answer_at_home
from credentials.standings import judge_many, pairs_of
from credentials.wording import RULE_WORDS, act_words
from people.access import Access
from people.clock import in_words
from people.models import Clinician
from people.tree import tree

Data = dict[str, Any]
BY = {"entered_by": "entered", "confirmed_by": "confirmed"}


def paper_of(access: Access, clinician: Clinician, file: Data, *, made: str) -> Paper:
    """The paper beside `evidence.evidence_of`'s data, for the same reader at the same number."""
    return Paper(
        name="evidence",
        title=f"Evidence file of {clinician.name}",
        facts=facts_of(clinician),
        holds="All that the register holds about this person and its reader may see, with every act about them. "
        "It is proved by the JSON file and the script beside it, which recompute every digest; paper proves nothing.",
        sections=list(_sections(access, clinician, file)),
        made=made,
        by=file["made"]["by"],
        known=file["made"]["known"],
    )


def _sections(access: Access, clinician: Clinician, file: Data) -> Iterator[Section]:
    yield from _standings(clinician)
    yield _awards(clinician)
    yield _restrictions(clinician, access.on)
    yield _enrolments(clinician)
    yield _completions(clinician)
    yield lines(entries_of(clinician))
    yield from _observations(access, clinician)
    yield _flags(clinician)
    yield from decided.sections(file)
    yield _acts(file)


def _standings(clinician: Clinician) -> Iterator[Section]:
    names = dict(Procedure.objects.values_list("pk", "name"))
    for (_, procedure), judged in sorted(judge_many(pairs_of([clinician.pk])).items()):
        at = answer_at_home(judged.standing, on=judged.on)
        asked = (*judged.standing.entry, *judged.standing.award, *judged.standing.renewal, *judged.standing.plan)
        yield Section(
            title=f"Standing: {names[procedure]}",
            text=(
                f"On {in_words(judged.on)}, as known at number {judged.known}: may insert on patients "
                f"{at.answer.words}. Status: {at.status.words}.",
                *(each.text for each in at.reasons),
            ),
            columns=("Terms", "Have", "Need", "Note"),
            widths=(4, 1, 1, 5),
            rows=[(each.label, str(each.have), str(each.need), each.note) for each in asked],
            empty="No terms are asked for now.",
        )


def _awards(clinician: Clinician) -> Section:
    places = tree()
    rows = Award.objects.known().filter(clinician=clinician).select_related("procedure").order_by("from_day", "pk")
    return Section(
        title="Awards",
        columns=("Procedure", "Kind", "Held at", "From", "Through", "Ended", "Decided on"),
        widths=(4, 3, 4, 3, 3, 3, 6),
        rows=[
            (
                each.procedure.name,
                each.get_kind_display(),
                places.path(each.scope_unit_id),
                in_words(each.from_day),
                _last(each.expires_on),
                f"ended {_last(each.until_day)}" if each.until_day else "",
                _basis(each.basis),
            )
            for each in rows
        ],
    )


def _basis(text: str) -> str:
    """What an award was decided on, as it was kept: its terms with what there was."""
    basis = json.loads(text)
    said = [f"{each['label']}: have {each['have']}, need {each['need']}" for each in basis.get("terms", ())]
    if "evidence_kind" in basis:
        said.append(f"{basis['evidence_kind']}, {basis['evidence_place']}")
        said += [f"{word} by {basis[key]}" for key, word in BY.items() if basis.get(key)]
    return "; ".join(said) or "as the act says"


def _restrictions(clinician: Clinician, on: date) -> Section:
    rows = Restriction.objects.known().filter(clinician=clinician).select_related("procedure", "clinician")
    found = [shown_of(each, on) for each in rows.order_by("from_day", "pk")]
    return Section(
        title="Decisions that limit",
        columns=("What", "When", "Asks for", "Reason"),
        widths=(3, 4, 3, 5),
        rows=[(each.words, each.span, each.asks, each.reason) for each in found],
    )


def _enrolments(clinician: Clinician) -> Section:
    rows = Enrolment.objects.known().filter(clinician=clinician).select_related("procedure", "programme")
    return Section(
        title="Enrolments",
        columns=("Procedure", "Programme", "From", "Through"),
        rows=[
            (each.procedure.name, str(each.programme), in_words(each.from_day), _last(each.until_day))
            for each in rows.order_by("from_day", "pk")
        ],
    )


def _completions(clinician: Clinician) -> Section:
    rows = Completion.objects.known().filter(clinician=clinician).select_related("procedure").order_by("on", "pk")
    return Section(
        title="Tests, sessions and policies",
        columns=("Day", "Procedure", "What", "About", "Result", "Verified by"),
        rows=[
            (
                in_words(each.on),
                each.procedure.name,
                each.get_kind_display(),
                each.about,
                f"{each.result or 'no mark noted'}{'' if each.passed else ', not passed'}",
                each.verified_by,
            )
            for each in rows
        ],
    )


def _observations(access: Access, clinician: Clinician) -> Iterator[Section]:
    """Each with the checklist as it was and what was marked."""
    rows = Observation.objects.signed_by().visible_to(access).filter(clinician=clinician, second_of=None)
    related = ("clinician", "procedure", "unit", "assessor", "checklist", "clinician__user")
    found = list(rows.select_related(*related).order_by("observed_at", "pk"))
    if not found:
        yield Section(title="Observations", text=("None.",))
    for row in found:
        seen = observation_shown(access, row)
        yield Section(
            title=f"Observation of {in_words(row.observed_on)}: {row.procedure.name}",
            text=(
                f"{row.get_purpose_display()}, {row.get_setting_display().lower()}, with {row.checklist}.",
                seen.verdict,
                f"Signed by {row.printed_name}, {row.role}: {row.meaning}, {_moment(row.signed_at)}.",
                *((f"Feedback: {seen.said['feedback']}",) if seen.said["feedback"] else ()),
                *(f"{each.get_kind_display()}, {each.by.name}: {each.text}".rstrip(": ") for each in seen.replies),
            ),
            columns=("Phase", "Step", "Marked", "Note"),
            widths=(2, 6, 2, 4),
            rows=[
                (phase.phase.name, step.text, step.words, step.reason or step.note)
                for phase in seen.phases
                for step in phase.steps
            ],
        )


def _flags(clinician: Clinician) -> Section:
    rows = Flag.objects.filter(clinician=clinician).select_related("procedure").prefetch_related("replies__by")
    return Section(
        title="Questions and replies",
        columns=("Raised", "Question", "Replies", "Outcome"),
        widths=(2, 4, 6, 4),
        rows=[
            (
                in_words(each.raised_on),
                f"{RULE_WORDS[each.rule]}, {each.procedure.name}: {json.loads(each.figures).get('text', '')}".rstrip(
                    ": "
                ),
                "; ".join(f"{said.by.name}: {said.text}" for said in each.replies.all()),
                f"{each.get_outcome_display()}: {each.reason}" if each.closed_id else "Open",
            )
            for each in rows.order_by("raised_on", "pk")
        ],
    )


def _acts(file: Data) -> Section:
    return Section(
        title="Acts",
        text=("Every act about this person and their evidence, first to last.",),
        columns=("Number", "When", "What", "By", "Hash"),
        widths=(1, 3, 4, 3, 9),
        rows=[
            (
                str(each["seq"]),
                _moment(datetime.fromisoformat(each["at"])),
                act_words(each["kind"]),
                each["by"] or "",
                each["hash"],
            )
            for each in file["acts"]
        ],
    )


def _moment(at: datetime | None) -> str:
    return moment_words(at) if at else ""


def _last(until_day: date | None) -> str:
    return in_words(until_day - timedelta(days=1)) if until_day else "until further notice"
