"""The part of a walk that is about disagreements: both sides' statements, and decisions."""

from collections.abc import Sequence
from typing import Any

from django.db import models

from audits import reconsidering, ruling
from audits.models import Dispute, ObservationDispute
from people.access import access_of
from people.signing import confirm
from tests.factories import SECRET


class Disagreeing:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def number(self) -> int: ...

    def answer_dispute(self) -> Any:
        found = self._dispute_that_waits()
        if found is None:
            return False
        row = ruling.about(found)
        by = row.clinician.user or found.by
        return ruling.answer(actor=by, dispute=found, text=f"It was so, no. {self.number()}.")

    def rule(self) -> Any:
        found = self.one(Dispute.objects.known().select_related("insertion__clinician", "by"))
        return False if found is None else self._ruled(found)

    def rule_observed(self) -> Any:
        found = self.one(ObservationDispute.objects.known().select_related("observation__clinician", "by"))
        return False if found is None else self._ruled(found)

    def reconsider(self) -> Any:
        who = self.one((self.world.chief, self.world.deputy))
        found = reconsidering.in_question(access_of(who))
        if not found:
            return False
        rows = [each.statement for each in found[:3]]
        outcome, reason = self.one(("counts", "struck")), f"Compared, no. {self.number()}."
        digest = reconsidering.decision_digest(rows, outcome, reason)
        signer = confirm(user=who, secret=SECRET, meaning=reconsidering.MEANING, digests=[digest])
        return reconsidering.decide(signer=signer, statements=rows, outcome=outcome, reason=reason)

    def _ruled(self, found: Any) -> Any:
        outcome, reason = self.one(ruling.outcomes_of(found)), f"Decided, no. {self.number()}."
        who = self.one((self.world.chief, self.world.deputy))
        digest = ruling.ruling_digest(found, outcome, reason)
        signer = confirm(user=who, secret=SECRET, meaning=ruling.MEANING, digests=[digest])
        return ruling.rule(signer=signer, dispute=found, outcome=outcome, reason=reason)

    def _dispute_that_waits(self) -> Any:
        return self.one([
            *Dispute.objects.known().select_related("insertion__clinician__user", "by").order_by("pk"),
            *ObservationDispute.objects.known().select_related("observation__clinician__user", "by").order_by("pk"),
        ])  # fmt: skip
