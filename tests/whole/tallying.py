"""The part of a walk that is about shift tallies: noted, noted again, and a basis that changes under them."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from django.db import models

from audits.models import Award, Tally
from audits.tallies import NewTally, holder, note_tally
from people.models import Unit
from people.settings import set_setting


class Tallying:
    """Verbs; what they choose from, and the clock, are the walk's."""

    world: Any
    choose: Any

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any: ...
    def unit(self, *levels: str) -> Unit: ...
    def day(self, before: int, after: int) -> date: ...

    @property
    def today(self) -> date: ...

    def tally(self) -> Any:
        """By the educator for a holder, of whom those who may tally come first; on a day that may be none for it."""
        awards = list(Award.objects.known().filter(until_day=None).select_related("clinician", "procedure"))
        homes = [(award, unit) for award in awards if (unit := holder(award.clinician).home(self.today)) is not None]
        keeping = [(award, unit) for award, unit in homes if self._keeps(award, unit)]
        found = self.one(keeping or homes)
        if found is None:
            return False
        award, unit = found
        new = NewTally(
            clinician=award.clinician, procedure=award.procedure, unit=Unit.objects.get(pk=unit),
            on=self.day(12, 1), insertions=self.choose.randint(0, 4),
        )  # fmt: skip
        return note_tally(actor=self.world.chief, new=new)

    def _keeps(self, award: Award, unit: int) -> bool:
        return holder(award.clinician).problem(award.procedure, unit, self.today) is None

    def tally_again(self) -> Any:
        """The same day again, with another number or taken back."""
        row = self.one(Tally.objects.known().select_related("clinician", "procedure", "unit"))
        if row is None:
            return False
        new = NewTally(
            clinician=row.clinician, procedure=row.procedure, unit=row.unit, on=row.on,
            insertions=self.one((0, row.insertions + 1, row.insertions)),
        )  # fmt: skip
        return note_tally(actor=self.one((self.world.chief, row.clinician.user or self.world.deputy)), new=new)

    def keep_tallies(self) -> Any:
        """A part of the group logs less, or all again, from a day that may be past."""
        name, value = self.one(
            (("logging_basis", "tally"), ("logging_basis", "tally"), ("logging_basis", "fortnight"),
             ("logging_basis", "every_insertion"), ("fortnight_begins", "60"))
        )  # fmt: skip
        unit = self.unit("ward", "department")
        return set_setting(actor=self.world.chief, unit=unit, name=name, value=value, from_day=self.day(40, 10))
