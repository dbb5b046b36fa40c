"""What is not settled about one person and procedure, row by row: told before a decision and kept with it."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from django.db.models import QuerySet

from audits.models import (
    Dispute,
    Insertion,
    Observation,
    ObservationDispute,
    Outcome,
    Procedure,
    Proposal,
)
from audits.states import with_state
from credentials.hanging import (
    begun,
    entries_of,
    failures,
    open_flags,
    open_on_observations,
    unsigned,
)
from credentials.models import Flag
from people.models import Clinician


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsettled:
    """Each oldest first. `failures` are those of `unsigned` where the first puncture did not work.

    `overdue` says in a sentence that an observation is overdue by the local rules, '' if none is.
    """

    unsigned: tuple[Insertion, ...] = ()
    failures: tuple[Insertion, ...] = ()
    proposed: tuple[Proposal, ...] = ()
    disputed: tuple[Dispute, ...] = ()
    observed_disputed: tuple[ObservationDispute, ...] = ()
    in_question: tuple[Insertion, ...] = ()
    begun: tuple[Observation, ...] = ()
    overdue: str = ""
    flags: tuple[Flag, ...] = ()

    def __bool__(self) -> bool:
        return bool(
            self.unsigned or self.proposed or self.disputed or self.observed_disputed or self.in_question or self.begun
            or self.overdue or self.flags
        )  # fmt: skip

    @property
    def content(self) -> dict[str, Any]:
        """What the decision keeps and its digest is of: which ones, by their identifiers."""
        return {
            "unsigned": _uuids(self.unsigned),
            "failures_unsigned": _uuids(self.failures),
            "proposed": _uuids(each.insertion for each in self.proposed),
            "disputed": _uuids(each.insertion for each in self.disputed),
            "observations_disputed": _uuids(each.observation for each in self.observed_disputed),
            "in_question": _uuids(self.in_question),
            "observations_not_signed": _uuids(self.begun),
            "observation_overdue": self.overdue,
            "open_flags": _uuids(self.flags),
        }


def unsettled(clinician: Clinician, procedure: Procedure, *, overdue: str = "") -> Unsettled:
    """What hangs now. A fixed number of queries; `overdue` comes from whoever judged the standing."""
    whom = [clinician.pk]
    entries = entries_of(whom, procedure)
    waiting = unsigned(entries)
    missed = set(failures(waiting).values_list("pk", flat=True))
    rows = tuple(with_state(_shown(waiting)))
    of_entries = {"insertion__in": entries, "decided": None}
    asked = Outcome.objects.filter(clinician=clinician.pk, procedure=procedure.pk, in_question=1).values("insertion")
    disputes = open_on_observations(whom, procedure)
    return Unsettled(
        unsigned=rows,
        failures=tuple(row for row in rows if row.pk in missed),
        proposed=tuple(_about(Proposal.objects.filter(**of_entries))),
        disputed=tuple(_about(Dispute.objects.filter(**of_entries))),
        observed_disputed=tuple(disputes.select_related("observation", "by").order_by("pk")),
        in_question=tuple(_shown(entries.filter(pk__in=asked))),
        begun=tuple(begun(whom, procedure).select_related("assessor").order_by("observed_at", "pk")),
        overdue=overdue,
        flags=tuple(open_flags(whom, procedure).order_by("raised_on", "pk")),
    )


def _shown(rows: QuerySet[Insertion]) -> QuerySet[Insertion]:
    return rows.select_related("procedure", "supervisor").prefetch_related("attempts").order_by("performed_at", "pk")


def _about(rows: QuerySet[Any]) -> QuerySet[Any]:
    return rows.select_related("insertion", "by").prefetch_related("insertion__attempts").order_by("pk")


def _uuids(rows: Iterable[Any]) -> list[str]:
    return [str(each.uuid) for each in rows]
