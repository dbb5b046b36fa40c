"""The forms of cohorts: opening one, a list of staff numbers, what becomes of each person at the end."""

import re
from collections.abc import Iterable, Sequence
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet

from credentials.cohort_ends import Leaving
from credentials.cohorts import LONGEST_NAME, NewCohort
from credentials.forms import HereField, ProcedureField
from credentials.models import Cohort, CohortMember
from people.fields import DayField, Form
from people.forms import ThroughField
from people.models import User
from people.tree import Tree

MOST = 500  # staff numbers at once


class CohortForm(Form):
    name = forms.CharField(label="Name", max_length=LONGEST_NAME, help_text="For example, Autumn intake 2026.")
    procedure = ProcedureField()
    from_day = DayField(label="First day", help_text="Their learning begins on it, under the programme in effect then.")
    until_day = ThroughField(label="Last day", required=True, help_text="The last day of the rotation.")

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add("unit", HereField(tree, units, label="Unit"))
        self.order_fields(["name", "unit", "procedure", "from_day", "until_day"])

    @property
    def new(self) -> NewCohort:
        return NewCohort(**self.cleaned_data)


class ListForm(Form):
    """Staff numbers, pasted from wherever they stand, names beside them or not; gives (number, name) for each."""

    numbers = forms.CharField(
        label="Staff numbers",
        widget=forms.Textarea(attrs={"rows": 8}),
        help_text="Paste them from your list, one person on a line; names beside the numbers are compared. You see who "
        "they are before anything is stored.",
    )

    def clean_numbers(self) -> list[tuple[str, str]]:
        found = [each for line in self.cleaned_data["numbers"].splitlines() for each in _people_on(line)]
        if len(found) > MOST:
            raise ValidationError(f"There are {len(found)}: take in at most {MOST} at once.")
        return found


def _people_on(line: str) -> list[tuple[str, str]]:
    """The numbers on a line, each alone; a single number with the words beside it, which are a name; else the words."""
    words = re.split(r"[\s,;]+", line.strip())
    numbers = [word for word in words if any(sign.isdigit() for sign in word)]
    name = " ".join(word for word in words if word not in numbers)
    if len(numbers) == 1:
        return [(numbers[0], name)]
    return [(number, "") for number in numbers] or ([(name, "")] if name else [])


class LeavingForm(Form):
    """What becomes of each person who is still in a cohort; '' leaves somebody where they are."""

    def __init__(
        self,
        *args: Any,
        members: Sequence[CohortMember],
        others: QuerySet[Cohort],
        educators: QuerySet[User],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.members = members
        for each in members:
            self.add(
                f"m{each.pk}",
                forms.ChoiceField(
                    label=each.clinician.name,
                    choices=[("", "Stays in it"), *CohortMember.Outcome.choices],
                    required=False,
                    widget=forms.Select(attrs={"aria-label": f"What becomes of {each.clinician.name}"}),
                ),
            )
        self.add(
            "moved_to",
            forms.ModelChoiceField(
                others,
                label="Moved to the cohort",
                required=False,
                empty_label="No other cohort: the enrolment goes on",
            ),
        )
        self.fields["moved_to"].label_from_instance = lambda row: row.name  # type: ignore[attr-defined]
        self.add(
            "handed_to", forms.ModelChoiceField(educators, label="Handed over to", required=False, empty_label="Nobody")
        )
        self.fields["handed_to"].label_from_instance = lambda row: row.name  # type: ignore[attr-defined]
        self.add(
            "note",
            forms.CharField(
                label="Note",
                required=False,
                max_length=500,
                widget=forms.Textarea(attrs={"rows": 3}),
                help_text="Kept with each of them. An enrolment that ends needs the reason.",
            ),
        )

    @property
    def chosen(self) -> list[Leaving]:
        """Who leaves, and how; what concerns another outcome is left out."""
        said = self.cleaned_data
        return [
            Leaving(
                member=each,
                outcome=outcome,
                moved_to=said.get("moved_to") if outcome == CohortMember.Outcome.MOVED else None,
                handed_to=said.get("handed_to") if outcome == CohortMember.Outcome.HANDED_OVER else None,
                note=said.get("note", ""),
            )
            for each in self.members
            if (outcome := said.get(f"m{each.pk}"))
        ]
