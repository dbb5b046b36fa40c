"""The part of a walk that is about papers: certificates given out and revoked, evidence files that hold."""

from collections.abc import Sequence
from typing import Any

from django.db import models

from credentials.models import Certificate
from credentials.papers import certificates, making, verifier
from people.models import Clinician
from people.signing import confirm
from tests.factories import SECRET


class Taking:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def clinician(self) -> Clinician: ...
    def number(self) -> int: ...

    def certify(self) -> Any:
        holding = self.one(certificates.holdings_of(self.one((*self.world.holders, self.clinician()))))
        if holding is None:
            return False
        made = certificates.give_out(
            actor=self.world.chief, award=holding.award, address=lambda token: f"https://x.example/c/{token}/"
        )
        shown = certificates.look_up(made.token)
        assert shown is not None
        assert shown.state in ("holds", "grace")
        return made

    def revoke_certificate(self) -> Any:
        row = self.one(Certificate.objects.filter(revoked=None).select_related("clinician", "procedure"))
        if row is None:
            return False
        reason = f"Lost, no. {self.number()}"
        digest = certificates.revocation_digest(row, reason)
        signer = confirm(user=self.world.chief, secret=SECRET, meaning=certificates.MEANING, digests=[digest])
        return certificates.revoke(signer=signer, certificate=row, reason=reason)

    def take_evidence(self) -> Any:
        """Whatever happened before, the file of whoever it happened to holds."""
        who = self.one((self.world.cast.owner, self.world.cast.colleague, self.clinician()))
        made = making.make(actor=self.world.chief, clinician=who, kind=making.EVIDENCE, form="json")
        assert list(verifier.problems(made.file, seal=made.digest)) == []
        return made
