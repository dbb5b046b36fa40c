"""What is not settled about people who learn a procedure: signatures, changes, disputes, observations, questions."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, F, QuerySet

from audits.models import (
    Dispute,
    Insertion,
    Observation,
    ObservationDispute,
    Procedure,
    Proposal,
    Result,
    Statement,
)
from credentials.models import Flag

COUNTERSIGNED = (Statement.Kind.IN_ROOM, Statement.Kind.NEARBY, Statement.Kind.OTHER_EVIDENCE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hangs:
    """How many of each there are of one person. `questions` are open flags, for who may see figures."""

    unsigned: int = 0
    proposed: int = 0
    disputed: int = 0
    begun: int = 0
    questions: int = 0

    def __bool__(self) -> bool:
        return any((self.unsigned, self.proposed, self.disputed, self.begun, self.questions))

    @property
    def words(self) -> str:
        """In a line: '2 unsigned, 1 disputed'."""
        parts = (
            (self.unsigned, "unsigned"),
            (self.proposed, "with a change proposed"),
            (self.disputed, "disputed"),
            (self.begun, "observation not signed" if self.begun == 1 else "observations not signed"),
            (self.questions, "open question" if self.questions == 1 else "open questions"),
        )
        return ", ".join(f"{count} {words}" for count, words in parts if count)


def hanging(
    clinicians: Collection[int], procedure: Procedure, *, seen: Collection[int] = frozenset()
) -> dict[int, Hangs]:
    """What hangs for each of these clinicians. Six queries; `seen` are those whose open questions may be told."""
    entries = entries_of(clinicians, procedure)
    observed = _counted(open_on_observations(clinicians, procedure), "observation__clinician")
    counts = {
        "unsigned": _counted(unsigned(entries), "clinician"),
        "proposed": _counted(Proposal.objects.filter(insertion__in=entries, decided=None), "insertion__clinician"),
        "disputed": _counted(Dispute.objects.filter(insertion__in=entries, decided=None), "insertion__clinician"),
        "begun": _counted(begun(clinicians, procedure), "clinician"),
        "questions": _counted(open_flags(set(seen) & set(clinicians), procedure), "clinician"),
    }
    for each, count in observed.items():
        counts["disputed"][each] = counts["disputed"].get(each, 0) + count
    return {each: Hangs(**{name: found.get(each, 0) for name, found in counts.items()}) for each in clinicians}


def entries_of(clinicians: Collection[int], procedure: Procedure) -> QuerySet[Insertion]:
    """Their entries that stand."""
    return Insertion.objects.known().filter(clinician__in=clinicians, procedure=procedure, withdrawn=False)


def unsigned(entries: QuerySet[Insertion]) -> QuerySet[Insertion]:
    """Those with a supervisor named and no signature that counts; what came from paper asks for none."""
    signed = Statement.objects.known().filter(kind__in=COUNTERSIGNED).values("insertion")
    return entries.exclude(supervisor=None).exclude(source=Insertion.Source.PAPER).exclude(pk__in=signed)


def failures(entries: QuerySet[Insertion]) -> QuerySet[Insertion]:
    """Those with an attempt where the first puncture gave no working cannula, or somebody took over."""
    return entries.exclude(result=Result.NO_ATTEMPT).exclude(result=Result.FIRST_TIME, taken_over=False)


def begun(clinicians: Collection[int], procedure: Procedure) -> QuerySet[Observation]:
    """Observations begun and not signed; a second rating decides nothing and is its rater's alone."""
    return Observation.objects.known().filter(
        clinician__in=clinicians, procedure=procedure, signed=None, second_of=None
    )


def open_on_observations(clinicians: Collection[int], procedure: Procedure) -> QuerySet[ObservationDispute]:
    """Disputes of their observations that nobody decided; of first ratings, as second ones never count."""
    return ObservationDispute.objects.known().filter(
        observation__clinician__in=clinicians, observation__procedure=procedure, observation__second_of=None,
        decided=None,
    )  # fmt: skip


def open_flags(clinicians: Collection[int], procedure: Procedure) -> QuerySet[Flag]:
    return Flag.objects.filter(clinician__in=clinicians, procedure=procedure, closed=None)


def _counted(rows: QuerySet[Any], of: str) -> dict[int, int]:
    return dict(rows.order_by().values(whose=F(of)).annotate(count=Count("pk")).values_list("whose", "count"))
