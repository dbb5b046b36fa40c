"""The part of a walk that is about planning: policies noted, changed and ended, and what units need."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from django.db import models

from credentials import policies
from credentials.models import LocalPolicy
from people.models import Unit, User
from people.settings import set_setting
from people.signing import confirm
from tests.factories import SECRET


class Planning:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def procedure(self) -> Any: ...
    def unit(self, *levels: str) -> Unit: ...
    def day(self, before: int, after: int) -> date: ...
    def number(self) -> int: ...

    @property
    def today(self) -> date: ...

    def note_policy(self) -> Any:
        said = policies.Policy(
            unit=self.unit(),
            procedure=self.one((None, self.procedure())),
            title=f"Policy {self.number()}",
            kept_at=f"Folder {self.number()}",
            rests=self.one((("rules",), ("programme", "checklist"))),
            review_on=self.today + timedelta(days=self.choose.randint(1, 300)),
        )
        return policies.open_policy(signer=_hand(self.world.chief, said.digest), policy=said)

    def change_policy(self) -> Any:
        row = self._policy()
        if row is None:
            return False
        said = replace(policies.policy_of(row), review_on=self.today + timedelta(days=self.choose.randint(1, 300)))
        signer = _hand(self.world.chief, policies.change_digest(row, said))
        return policies.change_policy(signer=signer, row=row, policy=said)

    def end_policy(self) -> Any:
        row = self._policy()
        if row is None:
            return False
        signer = _hand(self.world.deputy, policies.end_digest(row, "Another took its place."))
        return policies.end_policy(signer=signer, row=row, reason="Another took its place.")

    def set_cover(self) -> Any:
        return set_setting(
            actor=self.world.chief, unit=self.unit(), name=self.one(("cover_needed", "supervisors_needed")),
            value=str(self.choose.randint(0, 6)), about=self.procedure().code, from_day=self.day(20, 20),
        )  # fmt: skip

    def _policy(self) -> LocalPolicy | None:
        found: LocalPolicy | None = self.one(
            LocalPolicy.objects.known().filter(ended=False).select_related("unit", "procedure")
        )
        return found


def _hand(user: User, digest: str) -> Any:
    return confirm(user=user, secret=SECRET, meaning="decided", digests=[digest])
