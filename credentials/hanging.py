"""What is not settled about people who learn a procedure: signatures, changes, disputes, observations, questions."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, F, QuerySet

from audits.models import Dispute, Insertion, Observation, Procedure, Proposal, Statement
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
    """What hangs for each of these clinicians. Five queries; `seen` are those whose open questions may be told."""
    entries = Insertion.objects.known().filter(clinician__in=clinicians, procedure=procedure, withdrawn=False)
    signed = Statement.objects.known().filter(kind__in=COUNTERSIGNED).values("insertion")
    counts = {
        "unsigned": _counted(entries.exclude(supervisor=None).exclude(pk__in=signed), "clinician"),
        "proposed": _counted(Proposal.objects.filter(insertion__in=entries, decided=None), "insertion__clinician"),
        "disputed": _counted(Dispute.objects.filter(insertion__in=entries, decided=None), "insertion__clinician"),
        "begun": _counted(
            Observation.objects.known().filter(clinician__in=clinicians, procedure=procedure, signed=None), "clinician"
        ),
        "questions": _counted(
            Flag.objects.filter(clinician__in=seen, procedure=procedure, closed=None).filter(clinician__in=clinicians),
            "clinician",
        ),
    }
    return {each: Hangs(**{name: found.get(each, 0) for name, found in counts.items()}) for each in clinicians}


def _counted(rows: QuerySet[Any], of: str) -> dict[int, int]:
    return dict(rows.order_by().values(whose=F(of)).annotate(count=Count("pk")).values_list("whose", "count"))
