"""A plan under way: how far it is, and what waits for a decision.

Opening, extending and ending it is `credentials.restricting`; the page of a flag tells the whole (`review_story`).
"""

import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date

from django.db.models import F, OuterRef, QuerySet, Subquery
from django.urls import reverse

from audits.models import Restriction
from credentials.models import Flag, FlagReply
from credentials.referring import referred_to
from credentials.rules import progress
from credentials.rules.progress import Line as Have
from credentials.rules.status import status_on
from credentials.standings import Judged, judge_many
from credentials.today_lines import Line, Part
from credentials.wording import RULE_WORDS
from people.access import Access, Right
from people.clock import in_words

Kind = Restriction.Kind
PLANS = (Kind.PLAN, Kind.RETURN_PLAN)


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far a plan is: what it asks and how much of it is there, now or, of an ended plan, as it was at its end."""

    lines: tuple[Have, ...]
    is_open: bool
    is_overdue: bool

    @property
    def is_met(self) -> bool:
        return progress.is_met(self.lines)

    @property
    def waits(self) -> bool:
        """Whether everything is there and only the decision is missing."""
        return self.is_open and self.is_met


def progress_of(rows: Collection[Restriction], on: date) -> dict[int, Progress]:
    """How far each of these plans is, by its key. As many queries for many as for one."""
    still = [row for row in rows if row.until_day is None or row.until_day > on]
    judged = judge_many({_pair(row) for row in still})
    return {row.pk: _progress(row, on, judged.get(_pair(row)) if row in still else None) for row in rows}


def lines_of(judged: Judged, plan: str) -> tuple[Have, ...]:
    """What one plan asks and has, by the same count as the standing."""
    found = status_on(judged.facts, judged.figures, judged.facts.home_line, judged.on)
    return tuple(
        line
        for each in judged.facts.restrictions
        if each.uuid == plan
        for line in progress.on_plan(judged.facts, judged.figures, each, found.terms, judged.on)
    )


def met_at_end(row: Restriction) -> list[dict[str, str | int]]:
    """The lines of a plan as they are now, to be kept with the decision that ends it."""
    judged = judge_many([_pair(row)])[_pair(row)]
    return [{"label": each.label, "have": each.have, "need": each.need} for each in lines_of(judged, str(row.uuid))]


def waiting(access: Access) -> Iterator[Line]:
    """For Today: cases shown to one; for educators replies that nobody answered, and plans with everything there."""
    for each in referred_to(access):
        name = each.flag.clinician.name
        shared = each.by_id == each.flag.clinician.user_id
        words = (
            f"{name} shares a question with you" if shared else f"{each.by.name} refers a question about {name} to you"
        )
        yield Line(Part.MINE, words, reverse("review", args=[each.flag.uuid]))
    if not access.may_somewhere(Right.DECIDE):
        return
    theirs = access.clinicians_for(Right.DECIDE)
    for flag in _answered_by_the_person().filter(clinician__in=theirs):
        words = f"{flag.clinician.name} replied to a question: {RULE_WORDS[flag.rule].lower()}"
        yield Line(Part.DECIDE, words, reverse("review", args=[flag.uuid]))
    rows = Restriction.objects.known().on(access.on).filter(clinician__in=theirs, kind__in=PLANS)
    plans = list(rows.select_related("clinician", "procedure").order_by("due_on", "pk"))
    far = progress_of(plans, access.on)
    for row in plans:
        if far[row.pk].waits:
            by = f", to be done by {in_words(row.due_on)}" if row.due_on else ""
            words = f"{row.clinician.name}: everything on the {row.get_kind_display().lower()} is there{by}: decide"
            yield Line(Part.DECIDE, words, reverse("plan", args=[row.uuid]))


def _answered_by_the_person() -> QuerySet[Flag]:
    """Open flags on which the last word is the person's."""
    last = FlagReply.objects.filter(flag=OuterRef("pk")).order_by("-pk").values("by")[:1]
    rows = Flag.objects.filter(closed=None).annotate(last_by=Subquery(last)).filter(last_by=F("clinician__user"))
    return rows.select_related("clinician").order_by("reply_by", "pk")


def _progress(row: Restriction, on: date, judged: Judged | None) -> Progress:
    if judged is not None:
        lines = lines_of(judged, str(row.uuid))
    else:
        lines = tuple(Have(each["label"], each["have"], each["need"]) for each in json.loads(row.basis).get("met", ()))
    is_open = judged is not None
    return Progress(lines=lines, is_open=is_open, is_overdue=is_open and row.due_on is not None and on > row.due_on)


def _pair(row: Restriction) -> tuple[int, int]:
    assert row.procedure_id is not None  # a plan is about one procedure
    return row.clinician_id, row.procedure_id
