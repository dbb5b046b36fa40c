"""The part of a walk that is about decisions that limit somebody, and their ends."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.db import models

from audits.models import Award, Restriction
from credentials import restricting, returning
from credentials.restricting import Decision
from credentials.rules.answers import Answer
from credentials.standings import judge_many
from people.models import Clinician
from people.signing import confirm
from people.staffing import set_absence
from tests.factories import SECRET

Kind = Restriction.Kind


class Limiting:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def clinician(self) -> Clinician: ...
    def procedure(self) -> Any: ...
    def number(self) -> int: ...

    @property
    def today(self) -> date: ...

    def stand_down(self) -> Any:
        who = self.one((*self.world.holders, self.clinician()))
        return self._decide(Decision(clinician=who, kind=Kind.STAND_DOWN, reason=self._reason()))

    def suspend(self) -> Any:
        first = self.one((None, None, self.today + timedelta(days=3)))
        until = self.one((None, (first or self.today) + timedelta(days=self.choose.randint(1, 20))))
        who = self.one((*self.world.holders, self.clinician()))
        about = self.one((None, self.procedure()))
        return self._decide(
            Decision(
                clinician=who, kind=Kind.SUSPENSION, reason=self._reason(), procedure=about, from_day=first,
                until_day=until,
            )
        )  # fmt: skip

    def withdraw_award(self) -> Any:
        award = self.one(Award.objects.known().filter(until_day=None).exclude(terms="{}"))
        if award is None:
            return False
        return self._decide(
            Decision(clinician=award.clinician, kind=Kind.WITHDRAWAL, reason=self._reason(), procedure=award.procedure)
        )

    def open_plan(self) -> Any:
        return self._plan(Kind.PLAN, self.clinician(), self.procedure())

    def open_return_plan(self) -> Any:
        lapsed = Award.objects.known().filter(expires_on__lt=self.today)
        award = self.one(lapsed)
        return False if award is None else self._plan(Kind.RETURN_PLAN, award.clinician, award.procedure)

    def extend_plan(self) -> Any:
        row = self._standing(kind__in=restricting.PLANS)
        if row is None:
            return False
        day, reason = max(self.today, row.due_on) + timedelta(days=self.choose.randint(1, 20)), self._reason()
        signer = self._hand(self.world.chief, restricting.end_digest(row, reason, day))
        return restricting.extend(signer=signer, restriction=row, due_on=day, reason=reason)

    def end_limit(self) -> Any:
        row = self._standing()
        if row is None:
            return False
        day, reason = self.one((None, None, self.today + timedelta(days=2))), self._reason()
        signer = self._hand(self.world.deputy, restricting.end_digest(row, reason, day))
        return restricting.end(signer=signer, restriction=row, reason=reason, from_day=day)

    def sign_return(self) -> Any:
        """Of whoever came back; where nobody is back, somebody who holds it is noted as away until lately."""
        pairs = sorted(set(Award.objects.known().values_list("clinician", "procedure")))
        judged = judge_many(pairs)
        asked = [
            (who, about)
            for who in Clinician.objects.filter(pk__in=[pair[0] for pair in pairs]).order_by("pk")
            for about in self.world.procedures
            if (who.pk, about.pk) in judged and returning.step_from(judged[who.pk, about.pk], who, about)
        ]
        if not asked:
            away = self.one((*self.world.holders, self.world.cast.colleague))
            days = {"from_day": self.today - timedelta(days=190), "until_day": self.today - timedelta(days=3)}
            set_absence(actor=self.world.chief, clinician=away, **days)
            return False
        who, about = self.one(asked)
        reason = self._reason()
        signer = self._hand(self.world.chief, returning.open_step(who, about).digest(reason))
        return returning.sign_as_done(signer=signer, clinician=who, procedure=about, reason=reason)

    def _plan(self, kind: str, who: Clinician, procedure: Any) -> Any:
        return self._decide(
            Decision(
                clinician=who, kind=kind, reason=self._reason(), procedure=procedure,
                answer=self.one((Answer.IN_ROOM, Answer.NEARBY)), insertions=self.one((0, 1, 3)),
                observations=self.one((0, 1)), due_on=self.today + timedelta(days=self.choose.randint(1, 40)),
            )
        )  # fmt: skip

    def _decide(self, decision: Decision) -> Any:
        return restricting.decide(signer=self._hand(self.world.chief, decision.digest), decision=decision)

    def _standing(self, **narrow: Any) -> Restriction | None:
        rows = Restriction.objects.known().filter(**narrow).exclude(until_day__lte=self.today)
        found: Restriction | None = self.one(rows.select_related("clinician", "procedure"))
        return found

    def _reason(self) -> str:
        return f"For reason no. {self.number()}."

    def _hand(self, user: Any, digest: str) -> Any:
        return confirm(user=user, secret=SECRET, meaning="decided", digests=[digest])
