"""The part of a walk that is about observed practice: checklists, observations, second ratings, replies."""

from collections.abc import Sequence
from datetime import date
from typing import Any
from uuid import UUID

from django.db import models

from audits import observation_replies, observing, second_raters
from audits.checklists import parsed
from audits.models import (
    Checklist,
    Observation,
    ObservationDispute,
    ObservationDraft,
    Procedure,
    Retirement,
    SecondAsked,
)
from credentials import enrolling, proposing, retiring
from people.models import Clinician, Unit, User
from people.signing import Confirmed, confirm
from tests.factories import SECRET


class Watching:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def clinician(self) -> Clinician: ...
    def procedure(self) -> Procedure: ...
    def unit(self, *levels: str) -> Unit: ...
    def day(self, before: int, after: int) -> date: ...
    def number(self) -> int: ...

    @property
    def today(self) -> date: ...

    def begin_observation(self) -> Any:
        """Most often of somebody at home, for a decision, by an assessor who holds the procedure."""
        who = self.one((self.world.cast.owner, self.world.cast.colleague, self.clinician()))
        home = enrolling.home_unit(who, self.today)
        unit = Unit.objects.get(pk=home) if home else self.unit("ward")
        return observing.begin(
            actor=self.one((*self.world.assessors, *self.world.assessors, self.world.chief)),
            uuid=UUID(int=self.choose.getrandbits(128), version=4),
            clinician=who,
            procedure=self.one((self.world.procedures[0], self.procedure())),
            unit=unit,
            purpose=self.one(("decision", "decision", "learning")),
            setting=self.one(("patient", "patient", "patient", "simulation", "laboratory")),
        )

    def observe(self) -> Any:
        """Begin, tick and sign."""
        return self._sign(self.begin_observation())

    def tick(self) -> Any:
        row = self._open()
        if row is None:
            return False
        step = self.one(parsed(row.checklist).steps)
        mark = self.one(("met", "prompted", "not_met", ""))
        changes = {"marks": {step.key: {"mark": mark}}, "feedback": f"No. {self.number()}"}
        return observing.save(user=row.assessor, observation=row, changes=changes)

    def sign_observation(self) -> Any:
        row = self._open()
        return False if row is None else self._sign(row)

    def drop_observation(self) -> Any:
        row = self._open()
        if row is None:
            return False
        observing.drop(actor=row.assessor, observation=row, reason="Called away.")
        return True

    def ask_second(self) -> Any:
        row = self.one(Observation.objects.known().filter(second_of=None))
        if row is None:
            return False
        whom = self.one([*second_raters.may_second(row), *self.world.assessors])
        return second_raters.ask(actor=row.assessor, observation=row, whom=whom)

    def rate_second(self) -> Any:
        asked = self._asked()
        if asked is None:
            return False
        first = asked.observation
        made = observing.begin(
            actor=asked.whom, uuid=UUID(int=self.choose.getrandbits(128), version=4), clinician=first.clinician,
            procedure=first.procedure, unit=first.unit, purpose=first.purpose, setting=first.setting, second_of=first,
        )  # fmt: skip
        return self._sign(made)

    def decline_second(self) -> Any:
        asked = self._asked()
        if asked is None:
            return False
        second_raters.decline(actor=asked.whom, observation=asked.observation)
        return True

    def say_to_observation(self) -> Any:
        row = self._signed()
        if row is None:
            return False
        if row.clinician.user and self.one((True, False)):
            return observation_replies.acknowledge(actor=row.clinician.user, observation=row, text="Thank you.")
        return observation_replies.reply(actor=self.world.chief, observation=row, text=f"No. {self.number()}")

    def dispute_observation(self) -> Any:
        row = self._signed()
        if row is None:
            return False
        return observation_replies.dispute(actor=self.world.chief, observation=row, reason="It was otherwise.")

    def take_back_observation_dispute(self) -> Any:
        row = self.one(ObservationDispute.objects.known())
        if row is None:
            return False
        observation_replies.take_back(actor=row.by, observation=row.observation)
        return True

    def retire_checklist(self) -> Any:
        row = self.one(Checklist.objects.filter(approved__isnull=False))
        if row is None:
            return False
        signer = self._hand(self.world.chief, proposing.document_digest(row))
        return retiring.retire(signer=signer, checklist=row, reason="A step is missing.")

    def decide_retirement(self) -> Any:
        row = self.one(Retirement.objects.known().filter(decided=None))
        if row is None:
            return False
        signer = self._hand(self.world.deputy, retiring.retirement_digest(row))
        return retiring.decide_retirement(signer=signer, retirement=row, confirm=self.one((True, False, False)))

    def _open(self) -> Observation | None:
        found: Observation | None = self.one(Observation.objects.known().filter(signed=None))
        return found

    def _signed(self) -> Observation | None:
        found: Observation | None = self.one(Observation.objects.known().filter(signed__isnull=False, second_of=None))
        return found

    def _asked(self) -> SecondAsked | None:
        """Somebody who is asked for a second rating; where nobody is, whoever could be is asked first."""
        if not SecondAsked.objects.known().exists():
            pairs = [
                (row, whom)
                for row in Observation.objects.known().filter(second_of=None).order_by("-pk")[:8]
                for whom in second_raters.may_second(row)
                if not row.seconds.filter(assessor=whom).exists()
            ]
            if pairs:
                row, whom = self.one(pairs)
                second_raters.ask(actor=row.assessor, observation=row, whom=whom)
        found: SecondAsked | None = self.one(SecondAsked.objects.known())
        return found

    def _sign(self, row: Observation) -> Observation:
        """Everything marked: mostly met, now and then a critical step missed or a vein missed."""
        steps = parsed(row.checklist).steps
        missed = self.one((None, None, self.one(steps).key))
        stopped = missed is None and self.one((True, False))
        marks = {step.key: {"mark": "met"} for step in steps}
        if missed:
            marks[missed]["mark"] = self.one(("not_met", "prompted"))
        if stopped:
            marks[steps[-1].key]["mark"] = "not_reached"
        said = {
            "marks": marks, "stopped": stopped, "rating": 2, "given": "in_room", "recommended": "nearby",
            "feedback": "Steady.", "met": None,
        }  # fmt: skip
        if row.purpose == "decision":
            critical = {step.key for step in steps if step.critical}
            said["met"] = missed not in critical and self.one((True, True, True, False))
        observing.save(user=row.assessor, observation=row, changes=said)
        assert ObservationDraft.objects.filter(observation=row).exists()
        signer = self._hand(row.assessor, observing.check(row).digest)
        return observing.sign(signer=signer, observation=row)

    @staticmethod
    def _hand(user: User, digest: str) -> Confirmed:
        return confirm(user=user, secret=SECRET, meaning="as shown", digests=[digest])
