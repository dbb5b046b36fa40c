"""The form of a shift tally: a day, where it was, and a number in big tiles."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django import forms

from audits.models import Procedure
from audits.tallies import MOST, Holder, NewTally, Offered, OneDay, offered
from people import clock
from people.fields import DayField, Form
from people.models import Unit

IN_TILES = 10
MORE = "more"


@dataclass(frozen=True, slots=True)
class Day:
    """One of the latest days, as the page lists it; `query` opens the form for it again."""

    on: date
    procedure: Procedure
    where: str
    found: OneDay
    query: str


class TallyForm(Form):
    """`where` is a procedure at a unit; it is asked only where there are several."""

    on = DayField(label="Day")
    where = forms.ChoiceField(label="Where", widget=forms.RadioSelect)
    insertions = forms.ChoiceField(
        label="How many insertions",
        choices=[(str(each), str(each) if each else "None") for each in range(IN_TILES + 1)] + [(MORE, "More")],
        widget=forms.RadioSelect,
        help_text="Every patient in whom you tried, whether it worked or not, and did not log as an entry.",
    )
    more = forms.IntegerField(label=f"More than {IN_TILES}: how many", min_value=0, max_value=MOST, required=False)

    def __init__(self, data: Any, *, facts: Holder, units: Sequence[int], asked: Mapping[str, str]) -> None:
        self.facts = facts
        self.units = [each for each in units if each in facts.tree]
        here = self.units[0] if self.units else facts.tree.root
        self.today = clock.today(facts.tree.zone(here))
        self.offered = offered(facts, self.units)
        self.places = self._places()
        first = next((key for key in self.places if any(_key(each) == key for each in self.tallying)), "")
        chosen = asked.get("where", "")
        super().__init__(
            data if self.places else None,  # with nothing to choose there is no form, and nothing to mend in it
            initial={
                "on": asked.get("on") or self.today,
                "where": chosen if chosen in self.places else first or next(iter(self.places), ""),
            },
        )
        self.fields["on"].today = lambda: self.today  # type: ignore[attr-defined]
        self.fields["where"].choices = list(self.places.items())  # type: ignore[attr-defined]
        if len(self.places) == 1:
            self.fields["where"].widget = forms.HiddenInput()

    @property
    def tallying(self) -> list[Offered]:
        """Where a tally will do today."""
        return [each for each in self.offered if each.asked.may_tally]

    @property
    def fortnights(self) -> list[str]:
        """What is said of logging fortnights that hold today."""
        return list(dict.fromkeys(each.fortnight_words for each in self.offered if each.fortnight_words))

    @property
    def ahead(self) -> list[str]:
        return list(dict.fromkeys(each.next_words for each in self.tallying if each.next_words))

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        if said.get("insertions") == MORE and said.get("more") is None and "more" not in self.errors:
            self.add_error("more", "Enter how many.")
        return said

    def tally(self) -> NewTally:
        """What was asked to be noted; once the form is valid."""
        said = self.cleaned_data
        procedure, unit = said["where"].split("-")
        return NewTally(
            clinician=self.facts.clinician,
            procedure=Procedure.objects.get(pk=procedure),
            unit=Unit.objects.get(pk=unit),
            on=said["on"],
            insertions=said["more"] if said["insertions"] == MORE else int(said["insertions"]),
        )

    def days(self, found: Iterable[tuple[date, Procedure, int, OneDay]]) -> list[Day]:
        """The latest days in words; one may be opened again where it is still offered."""
        return [
            Day(
                on,
                procedure,
                self.facts.tree.where(unit),
                one,
                f"?on={on.isoformat()}&where={key}" if (key := f"{procedure.pk}-{unit}") in self.places else "",
            )
            for on, procedure, unit, one in found
        ]

    def _places(self) -> dict[str, str]:
        return {
            f"{procedure.pk}-{unit}": f"{self.facts.tree.name(unit)}: {procedure.name}"
            for unit in self.units
            for procedure in self.facts.procedures
        }


def _key(each: Offered) -> str:
    return f"{each.procedure.pk}-{each.unit}"
