"""The forms that ask about a past day: which day, and as known when."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from django import forms

from credentials.forms import HereField, ProcedureField
from credentials.past import number_at_end_of, number_at_time
from ledger import acts
from people.clock import in_words
from people.fields import ClockField, DayField, Form
from people.models import User
from people.tree import Tree


class PastForm(Form):
    """A day at a unit, and the number of what was known: at the day's end, at a time of that day, or as given.

    Once valid, `number` is that number.
    """

    procedure = ProcedureField()
    on = DayField(label="On")
    at = ClockField(
        label="As known at this time of that day", required=False, help_text="Leave it empty for the end of the day."
    )
    known = forms.IntegerField(
        label="Or as known at number",
        required=False,
        min_value=1,
        help_text="The number of an act, as it stands under an answer.",
    )

    number: int

    def __init__(
        self, *args: Any, tree: Tree, units: Iterable[int], today: date, unit: int | None = None, **kwargs: Any
    ):
        super().__init__(*args, **kwargs)
        self.tree, self.today, self.home = tree, today, unit
        self.add("unit", HereField(tree, units, label="At", required=unit is None))
        self.order_fields(["unit", "procedure", "on", "at", "known", "supervisor"])

    @property
    def unit(self) -> int | None:
        """The unit asked about; without one, home."""
        chosen = self.cleaned_data.get("unit")
        return chosen.pk if chosen else None

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        on, at, known = said.get("on"), said.get("at"), said.get("known")
        if on is not None and on > self.today:
            self.add_error("on", "Give today or a day before it.")
        elif at is not None and known is not None:
            self.add_error("known", "Give either the time or the number, not both.")
        elif known is not None and known > acts.head():
            self.add_error("known", f"The register's history has {acts.head()} numbers so far.")
        elif on is not None:
            self._number(on, at, known)
        return said

    def _number(self, on: date, at: Any, known: int | None) -> None:
        unit = self.unit if self.unit is not None else self.home
        zone = self.tree.zone(unit if unit is not None and unit in self.tree else self.tree.root)
        self.number = known or (number_at_time(on, at, zone) if at is not None else number_at_end_of(on, zone))
        if not self.number:
            self.add_error("on", f"The register begins after {in_words(on)}: nothing was known then.")


class IncidentForm(PastForm):
    """The same about one person, and perhaps a supervisor whose own standing is asked about."""

    def __init__(self, *args: Any, supervisors: Iterable[User], **kwargs: Any):
        super().__init__(*args, **kwargs)
        people = sorted(supervisors, key=lambda each: each.name.casefold())
        self.add(
            "supervisor",
            forms.TypedChoiceField(
                label="Also the standing of",
                required=False,
                choices=[("", "Whoever the entries name"), *((str(each.pk), each.name) for each in people)],
                coerce=lambda key: next(each for each in people if str(each.pk) == key),
                empty_value=None,
            ),
        )
