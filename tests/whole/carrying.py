"""The part of a walk that is about what carries over: an award to another unit, practice from another place, an
enrolment to another version, completions from a sheet and back out."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from hashlib import sha256
from typing import Any

from django.db import models

from audits.calendar import add_months
from audits.completions import withdraw_completion
from audits.models import Award, Completion, Recognition
from credentials import completion_sheets, extending, moving, proposing, recognising
from credentials.documents import terms
from credentials.extending import Extension
from credentials.models import Enrolment, Programme
from credentials.recognising import Brought
from people.models import Clinician, Unit, User
from people.signing import confirm
from people.tree import tree
from sheets.reading import read_workbook
from tests.factories import SECRET

Outcome = Recognition.Outcome


class Carrying:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def clinician(self) -> Clinician: ...
    def procedure(self) -> Any: ...
    def unit(self, *levels: str) -> Unit: ...
    def day(self, before: int, after: int) -> date: ...
    def number(self) -> int: ...

    @property
    def today(self) -> date: ...

    def extend_award(self) -> Any:
        """Mostly to a unit where it does not hold; now and then to one where it does."""
        award = self.one(Award.objects.known().on(self.today).filter(expires_on__gt=self.today))
        if award is None:
            return False
        held = {each.scope_unit_id for each in extending.in_force(award.clinician, award.procedure, self.today)}
        places = tree()
        elsewhere = sorted(key for key in places.nodes if not held & set(places.above(key)))
        unit = Unit.objects.get(pk=self.one(elsewhere or sorted(places.nodes)))
        asked = Extension(award=award, scope_unit=unit, reason=f"Works there too, no. {self.number()}.")
        return extending.extend(signer=_hand(self.world.chief, asked.digest), extension=asked)

    def recognise(self) -> Any:
        """As a whole, in part, or to be assessed again; of whoever learns, whoever holds, whoever is new."""
        who, about = self.clinician(), self.procedure()
        outcome = self.one((*Outcome.values, Outcome.WHOLE))
        brought = Brought(
            clinician=who, procedure=about, outcome=outcome, origin=f"Another place, no. {self.number()}",
            evidence="A certificate, in the personnel file.", reason=f"Asked there, no. {self.number()}.",
        )  # fmt: skip
        if outcome == Outcome.PART:
            brought = replace(brought, insertions=self.choose.randint(1, 3))
        elif outcome == Outcome.WHOLE:
            since = self.day(90, 0)
            until = self.one((None, None, add_months(since, self.choose.randint(1, 6))))
            brought = replace(brought, scope_unit=self.unit(), awarded_on=since, expires_on=until)
        return recognising.recognise(signer=_hand(self.world.chief, brought.digest), brought=brought)

    def withdraw_recognition(self) -> Any:
        row = self.one(Recognition.objects.known().select_related("clinician", "procedure", "award", "by"))
        if row is None:
            return False
        reason = f"It was somebody else's, no. {self.number()}."
        signer = _hand(self.world.deputy, recognising.withdrawal_digest(row, reason))
        recognising.withdraw(signer=signer, recognition=row, reason=reason)
        return True

    def move_enrolment(self) -> Any:
        """To the version in effect at home; where that is the one of the enrolment, another is put in effect first."""
        rows = Enrolment.objects.known().filter(until_day=None, from_day__lte=self.today)
        row = self.one(rows.select_related("programme", "clinician", "procedure"))
        if row is None:
            return False
        if moving.may_move_to(row, self.today) is None:
            self._put_in_effect(row)
        found, reason = moving.check_move(row.clinician, row.procedure), f"It fits better, no. {self.number()}."
        signer = _hand(self.world.chief, found.digest(reason))
        return moving.move(signer=signer, clinician=row.clinician, procedure=row.procedure, reason=reason)

    def _put_in_effect(self, row: Enrolment) -> None:
        before = terms(row.programme.content)
        asked = replace(before, insertions=before.insertions % 3 + 1, observations=self.one((0, 0, 1)))
        document = proposing.propose(
            Programme, actor=self.world.chief, unit=row.programme.unit, procedure=row.procedure,
            name=f"Next, no. {self.number()}", content=asked.to_content(), effective_on=self.today,
        )  # fmt: skip
        signer = _hand(self.world.deputy, proposing.document_digest(document))
        proposing.approve(signer=signer, document=document)

    def import_completions(self) -> Any:
        """One to three lines about two people; now and then one that stands already."""
        lines = ["Staff number,Name,Procedure,What was done,Day,Passed,Verified by"]
        for _ in range(self.choose.randint(1, 3)):
            who = self.one((self.world.cast.owner, self.world.cast.colleague))
            name = Clinician.objects.get(pk=who.pk).name
            done, passed = self.one(("Knowledge test", "Simulation")), self.one(("Yes", "Yes", "No"))
            day = f"{self.day(30, 0):%d/%m/%Y}"
            lines.append(f"{who.staff_number},{name},{self.procedure().code},{done},{day},{passed},Ed Ucator")
        data = "\n".join(lines).encode()
        tables = completion_sheets.read_tables(read_workbook(data, name="tests.csv"))
        chief = self.world.chief
        plan = completion_sheets.plan_import(actor=chief, tables=tables, file=sha256(data).hexdigest())
        if not plan.has_work:
            return False
        return completion_sheets.carry_out(signer=_hand(chief, plan.digest), plan=plan)

    def withdraw_completion(self) -> Any:
        row = self.one(Completion.objects.known().select_related("clinician"))
        if row is None:
            return False
        withdraw_completion(actor=self.world.chief, completion=row, reason=f"Noted wrongly, no. {self.number()}.")
        return True


def _hand(user: User, digest: str) -> Any:
    return confirm(user=user, secret=SECRET, meaning="decided", digests=[digest])
