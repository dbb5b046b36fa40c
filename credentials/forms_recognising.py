"""The forms of what somebody brings from elsewhere, and of an award that is extended to another unit."""

from collections.abc import Iterable
from typing import Any

from django import forms

from audits.models import Recognition
from credentials.forms import HereField, ProcedureField
from credentials.forms_restrictions import reason_field
from credentials.recognising import Brought
from people.fields import DayField, Form
from people.forms import ThroughField
from people.models import Clinician
from people.tree import Tree

# What each answer means for the person, on its tile.
MEANS = {
    Recognition.Outcome.WHOLE: "As a whole: held here from today, not provisional",
    Recognition.Outcome.PART: "In part: so many insertions count as supervised",
    Recognition.Outcome.REASSESS: "To be assessed again: nothing of it counts",
}


class RecogniseForm(Form):
    """What was brought, and how much of it is accepted."""

    procedure = ProcedureField()
    origin = forms.CharField(label="Where it was held", max_length=120, help_text="The hospital or service, and where.")
    evidence = forms.CharField(
        label="The evidence",
        max_length=300,
        help_text="What shows it and where it is kept: a certificate seen, a letter in the file, whom you asked.",
    )
    outcome = forms.ChoiceField(
        label="How much is accepted",
        choices=[(each.value, words) for each, words in MEANS.items()],
        widget=forms.RadioSelect,
    )
    awarded_on = DayField(label="Awarded there on", required=False)
    expires_on = ThroughField(
        label="Valid there through", help_text="Empty: as long as the programme here says. Never longer."
    )
    insertions = forms.IntegerField(
        label="Insertions accepted",
        required=False,
        min_value=1,
        max_value=500,
        help_text="They count as supervised, under the programme's cap on other evidence.",
    )

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add("scope_unit", HereField(tree, units, label="To hold here at this unit and below", required=False))
        self.add("reason", reason_field())
        self.order_fields(
            [
                "procedure",
                "origin",
                "evidence",
                "outcome",
                "awarded_on",
                "expires_on",
                "scope_unit",
                "insertions",
                "reason",
            ]
        )

    def brought(self, clinician: Clinician) -> Brought:
        """As typed; what concerns another outcome is left out."""
        said = dict(self.cleaned_data)
        if said["outcome"] != Recognition.Outcome.WHOLE:
            said |= {"awarded_on": None, "expires_on": None, "scope_unit": None}
        if said["outcome"] != Recognition.Outcome.PART:
            said["insertions"] = 0
        said["insertions"] = said["insertions"] or 0
        return Brought(clinician=clinician, **said)


class ExtendAwardForm(Form):
    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add("scope_unit", HereField(tree, units, label="To hold at this unit and below as well"))
        self.add("reason", reason_field())


class ReasonForm(Form):
    def __init__(self, *args: Any, label: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.add("reason", reason_field(label))
