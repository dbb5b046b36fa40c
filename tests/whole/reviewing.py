"""The part of a walk that is about cases: a plan or suspension decided on a flag, completed; cases shown to others."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.db import models

from audits.models import Restriction
from credentials import referring, restricting
from credentials.models import Flag, Referral
from credentials.restricting import Decision
from credentials.rules.answers import Answer
from people.access import access_of
from people.signing import confirm
from tests.factories import SECRET

Kind = Restriction.Kind


class Reviewing:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def number(self) -> int: ...

    @property
    def today(self) -> date: ...

    def plan_from_flag(self) -> Any:
        """Mostly on an open flag; now and then on one that was closed before."""
        flag = self._flag(closed=None) or self._flag()
        if flag is None:
            return False
        return self._restrict(
            Decision(
                clinician=flag.clinician, procedure=flag.procedure, kind=Kind.PLAN, flag=flag,
                answer=self.one((Answer.IN_ROOM, Answer.NEARBY)), insertions=self.one((1, 2)),
                observations=self.one((0, 1)), due_on=self.today + timedelta(days=self.choose.randint(1, 30)),
                reason=f"For question no. {self.number()}.",
            )
        )  # fmt: skip

    def suspend_from_flag(self) -> Any:
        flag = self._flag(closed=None)
        if flag is None:
            return False
        about = self.one((None, flag.procedure))
        return self._restrict(
            Decision(
                clinician=flag.clinician, procedure=about, kind=Kind.SUSPENSION, flag=flag,
                reason=f"For question no. {self.number()}.",
            )
        )  # fmt: skip

    def complete_plan(self) -> Any:
        rows = Restriction.objects.known().filter(kind=Kind.PLAN).exclude(until_day__lte=self.today)
        row = self.one(rows.select_related("clinician", "procedure"))
        if row is None:
            return False
        reason = f"Done, no. {self.number()}."
        signer = self._hold(self.world.deputy, restricting.end_digest(row, reason))
        return restricting.end(signer=signer, restriction=row, reason=reason)

    def refer(self) -> Any:
        """An educator refers a case, or its person shares it."""
        flag = self._flag()
        if flag is None:
            return False
        actor = self.one((self.world.chief, flag.clinician.user or self.world.chief))
        to = self.one(referring.may_be_asked(access_of(actor), flag))
        if to is None:
            return False
        return referring.refer(actor=actor, flag=flag, to=to, reason=f"What about no. {self.number()}?")

    def end_referral(self) -> Any:
        row = self.one(Referral.objects.known().select_related("flag__clinician", "by"))
        return False if row is None else referring.end_referral(actor=row.by, referral=row)

    def _flag(self, **narrow: Any) -> Flag | None:
        rows = Flag.objects.filter(**narrow).select_related("clinician__user", "procedure")
        found: Flag | None = self.one(rows)
        return found

    def _restrict(self, decision: Decision) -> Any:
        return restricting.decide(signer=self._hold(self.world.chief, decision.digest), decision=decision)

    def _hold(self, user: Any, digest: str) -> Any:
        return confirm(user=user, secret=SECRET, meaning="decided", digests=[digest])
