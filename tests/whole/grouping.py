"""The part of a walk that is about cohorts: opened, joined, left, handed over."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.db import models

from credentials import cohort_ends, cohorts
from credentials.cohort_ends import Leaving
from credentials.models import Cohort, CohortMember
from people.models import Clinician, Unit, User
from people.signing import confirm
from tests.factories import SECRET


class Grouping:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def clinician(self) -> Clinician: ...
    def procedure(self) -> Any: ...
    def unit(self, *levels: str) -> Unit: ...
    def day(self, before: int, after: int) -> date: ...
    def number(self) -> int: ...

    def open_cohort(self) -> Any:
        first = self.day(20, 10)
        new = cohorts.NewCohort(
            name=f"Intake {self.number()}", unit=self.unit(), procedure=self.procedure(), from_day=first,
            until_day=first + timedelta(days=self.choose.randint(5, 60)),
        )  # fmt: skip
        return cohorts.open_cohort(actor=self.world.chief, new=new)

    def join_cohort(self) -> Any:
        cohort = self.one(Cohort.objects.filter(closed=None))
        if cohort is None:
            return False
        whom = list({each.pk: each for each in (self.clinician(), self.clinician())}.values())
        cohorts.join(actor=self.world.chief, cohort=cohort, clinicians=whom)
        return True

    def leave_cohort(self) -> Any:
        member = self.one(CohortMember.objects.known().filter(outcome="").select_related("cohort", "clinician"))
        if member is None:
            return False
        outcome = self.one((*CohortMember.Outcome.values, "handed_over", "handed_over"))
        others = Cohort.objects.filter(closed=None, procedure=member.cohort.procedure).exclude(pk=member.cohort_id)
        leaving = Leaving(
            member=member,
            outcome=outcome,
            moved_to=self.one((None, self.one(others))) if outcome == "moved" else None,
            handed_to=self.world.deputy if outcome == "handed_over" else None,
            note=f"No. {self.number()}",
        )
        digest = cohort_ends.leaving_digest(member.cohort, [leaving])
        cohort_ends.leave(
            signer=_hand(self.world.chief, digest), cohort=member.cohort, leaving=[leaving], digest=digest
        )
        return True

    def take_over(self) -> Any:
        member = self.one(CohortMember.objects.known().filter(handed_to=self.world.deputy, taken_on=None))
        return False if member is None else cohort_ends.take_over(actor=self.world.deputy, member=member)


def _hand(user: User, digest: str) -> Any:
    return confirm(user=user, secret=SECRET, meaning="signed", digests=[digest])
