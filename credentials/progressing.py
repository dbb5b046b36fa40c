"""What counts and why not: each line of somebody's progress today with the evidence behind it, piece by piece.

Who may know the progress sees every line and what it comes to. An entry or observation is named only to who may open
it; the others are told how many there are. Not passed and withdrawn completions show with the figures, as elsewhere.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from django.urls import reverse

from audits import completions, outcomes
from audits.completions import Noted
from audits.counting import why_no_credit, why_no_volume
from audits.measures import rows_of
from audits.models import Completion, Insertion, Observation, Procedure, Recognition
from audits.observation_pages import of_person as observed_of
from audits.outcomes import Version
from credentials import recognising
from credentials.rules import awards, progress
from credentials.rules.asking import renewable
from credentials.rules.pieces import Entered, Kind, Piece
from credentials.rules.progress import Line
from credentials.rules.weighing import Evidence, Weighed, on_plans, towards_award, towards_renewal
from credentials.seeing import Seen
from credentials.standings import Judged, judge_many
from people.access import Access
from people.models import Clinician, User

SHOWN = 12  # a longer list is folded
STRUCK = "struck out after a disagreement"
SIGNED = {
    "in_room": "signed by {}, in the room",
    "nearby": "signed by {}, nearby",
    "other_evidence": "signed by {}",
}
KINDS = {
    progress.KNOWLEDGE: Completion.Kind.KNOWLEDGE,
    progress.THEORY: Completion.Kind.THEORY,
    progress.POLICIES: Completion.Kind.POLICY,
    progress.SIMULATION_BEFORE: Completion.Kind.SIMULATION,
    progress.SIMULATION: Completion.Kind.SIMULATION,
}


@dataclass(frozen=True, slots=True)
class Shown:
    """One piece of evidence on the page: what it gives, why, and what it is. `url` is '' where it has no page."""

    day: date
    counts: int
    why: str
    outside: bool
    url: str = ""
    about: str = ""


@dataclass(frozen=True)
class LineShown:
    """A line with the pieces that the reader may open, and how many more there are: that count, and that do not."""

    line: Line
    pieces: Sequence[Shown]
    more: int
    more_not: int

    @cached_property
    def counting(self) -> list[Shown]:
        return [piece for piece in self.pieces if piece.counts]

    @cached_property
    def left_out(self) -> list[Shown]:
        return [piece for piece in self.pieces if not piece.counts and not piece.outside]

    @cached_property
    def outside(self) -> list[Shown]:
        """Those of another time: before the enrolment, older than the months of renewal, still to come."""
        return [piece for piece in self.pieces if piece.outside]

    @property
    def is_folded(self) -> bool:
        return len(self.counting) > SHOWN

    @property
    def is_left_out_folded(self) -> bool:
        return len(self.left_out) > SHOWN


@dataclass(frozen=True, slots=True)
class Group:
    key: str
    title: str
    lines: Sequence[LineShown]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatCounts:
    clinician: Clinician
    procedure: Procedure
    on: date
    groups: Sequence[Group]


def what_counts(access: Access, seen: Seen, clinician: Clinician, procedure: Procedure) -> WhatCounts:
    """Every line of today's progress at home, for a reader who may know it. The number of queries is fixed."""
    judged = judge_many([(clinician.pk, procedure.pk)])[clinician.pk, procedure.pk]
    logged = _logged(clinician, procedure, judged)
    of = _evidence(procedure, judged, logged)
    sources = _Sources(access, seen, clinician, procedure, judged, logged)
    groups = (
        Group(key, title, [sources.line(each) for each in lines]) for key, title, lines in _weighed(of, judged) if lines
    )
    return WhatCounts(clinician=clinician, procedure=procedure, on=judged.on, groups=list(groups))


def _weighed(of: Evidence, judged: Judged) -> Iterable[tuple[str, str, Sequence[Weighed]]]:
    """The groups of the person's page, in its order and with its headings."""
    facts, on = judged.facts, judged.on
    yield "plan", "By the plan", on_plans(of, on)
    if enrolment := awards.enrolment_on(facts, on):
        entry, award = towards_award(of, enrolment, on)
        yield "entry", "Before the first patient", entry
        yield "award", "For the award", award
    if renewing := renewable(facts, on):
        yield "renewal", "For renewal", towards_renewal(of, renewing, on)


def _logged(clinician: Clinician, procedure: Procedure, judged: Judged) -> Mapping[int, Version]:
    """The versions that stand of this procedure and those that lend to it, by key. One query."""
    wanted = {procedure.pk, *(key for key, _ in judged.facts.counted_from.values())}
    rows = Insertion.objects.filter(clinician=clinician, procedure__in=wanted)
    return {version.insertion: version for version in (Version(*values) for values in outcomes.versions(rows))}


def _evidence(procedure: Procedure, judged: Judged, logged: Mapping[int, Version]) -> Evidence:
    """The rows that the figures were made of, each with why it gives nothing. Two queries at most."""
    rows = [row for row in rows_of({judged.clinician}, on=judged.on) if row.insertion in logged]
    found = [Entered(row, *_reasons(logged[row.insertion])) for row in rows]
    own = [each for each in found if each.row.procedure == procedure.pk]
    lent = [each for each in found if each.row.procedure != procedure.pk]
    return Evidence(judged.facts, judged.figures, own, lent)


def _reasons(version: Version) -> tuple[bool, str, str]:
    # Asked only of what gives no credit: there whoever signed was not eligible, where that matters at all.
    state = outcomes.state(version, eligible=False)
    return state.simulation, why_no_credit(state, named=version.supervisor is not None), why_no_volume(state)


class _Sources:
    """What the pieces are of, as far as this reader may open it. Seven queries at most."""

    def __init__(
        self,
        access: Access,
        seen: Seen,
        clinician: Clinician,
        procedure: Procedure,
        judged: Judged,
        logged: Mapping[int, Version],
    ) -> None:
        self.seen, self.procedure, self.logged = seen, procedure, logged
        self.person = f"{reverse('person', args=[clinician.uuid])}?procedure={procedure.pk}"
        self.lenders = dict(judged.facts.counted_from.values())
        visible = Insertion.objects.known().visible_to(access).filter(clinician=clinician)
        self.entries = set(visible.values_list("pk", flat=True))
        who = {user for each in logged.values() for user in (each.signed_by, each.supervisor) if user is not None}
        self.names = dict(User.objects.filter(pk__in=who).values_list("pk", "name"))
        rows = observed_of(access, clinician.pk, procedure.pk, on=judged.on, known=None)
        self.observations: dict[str, Observation] = {str(row.uuid): row for row in rows}
        self.struck = self.observations.keys() - {each.uuid for each in judged.facts.observations}
        self.done: list[Noted] = completions.of(clinician, procedure)
        self.completions = {str(each.completion.uuid): each.completion for each in self.done}
        self.brought: dict[str, Recognition] = {
            str(row.uuid): row for row in recognising.of_person(clinician, procedure, known=None)
        }

    def line(self, weighed: Weighed) -> LineShown:
        opened = [(piece, self._shown(piece)) for piece in weighed.pieces]
        hidden = [piece for piece, shown in opened if shown is None]
        pieces = [shown for _, shown in opened if shown is not None] + list(self._beside(weighed.line.label))
        return LineShown(
            weighed.line,
            sorted(pieces, key=lambda piece: piece.day),
            sum(piece.counts > 0 for piece in hidden),
            sum(piece.counts == 0 for piece in hidden),
        )

    def _shown(self, piece: Piece) -> Shown | None:
        """None for what is out of this reader's sight."""
        url, about = self.person, ""
        if piece.kind is Kind.ENTRY:
            version = self.logged[int(piece.key)]
            if version.insertion not in self.entries:
                return None
            url, about = reverse("entry", args=[version.uuid]), self._of_entry(version)
        elif piece.kind is Kind.OBSERVATION:
            row = self.observations.get(str(piece.key))
            if row is None:
                return None
            url, about = reverse("observation", args=[row.uuid]), f"by {row.assessor.name}"
        elif piece.kind is Kind.COMPLETION:
            url, about = f"{self.person}#completions", self.completions[str(piece.key)].about
        elif piece.kind is Kind.RECOGNISED:
            url, about = f"{self.person}#recognised", self.brought[str(piece.key)].origin
        else:
            url = ""
        return Shown(piece.day, piece.counts, piece.why, piece.outside, url, about)

    def _of_entry(self, version: Version) -> str:
        parts = [self.lenders.get(version.procedure, "")]
        if version.statement in SIGNED and version.signed_by is not None:
            parts.append(SIGNED[version.statement].format(self.names[version.signed_by]))
        elif version.supervisor is not None:
            parts.append(f"supervisor named: {self.names[version.supervisor]}")
        return "; ".join(part for part in parts if part)

    def _beside(self, label: str) -> Iterable[Shown]:
        """What is no fact any more, or never was one, and still belongs in the list."""
        if label.startswith(progress.OBSERVATIONS):
            for uuid in self.struck:
                seen = self.observations[uuid]
                url = reverse("observation", args=[uuid])
                yield Shown(seen.observed_on, 0, STRUCK, False, url, f"by {seen.assessor.name}")
        for each in self.done if self.seen.figures else ():
            row, withdrawal = each.completion, each.withdrawal
            if row.kind == KINDS.get(label) and (withdrawal or not row.passed):
                why = f"withdrawn: {withdrawal.reason}" if withdrawal else "not passed"
                yield Shown(row.on, 0, why, False, f"{self.person}#completions", row.about)
