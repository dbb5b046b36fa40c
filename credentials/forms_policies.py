"""The forms of local policies: what one says, and why it ends."""

from collections.abc import Iterable
from typing import Any

from django import forms

from audits.models import Procedure
from credentials.forms import HereField
from credentials.policies import LONGEST_PLACE, LONGEST_REASON, LONGEST_TITLE, RESTS, Policy
from people.fields import DayField, Form
from people.tree import Tree


class PolicyForm(Form):
    """What a policy says; of one that stands, the unit and the procedure are given and stay."""

    title = forms.CharField(label="Title", max_length=LONGEST_TITLE)
    kept_at = forms.CharField(
        label="Where it is kept", max_length=LONGEST_PLACE, help_text="Its number, version and place."
    )
    rests = forms.MultipleChoiceField(
        label="What rests on it", choices=list(RESTS.items()), widget=forms.CheckboxSelectMultiple
    )
    review_on = DayField(label="Look at it again by", help_text="From a month before, it stands on Today.")

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], before: Policy | None = None, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.before = before
        if before is None:
            self.add("unit", HereField(tree, units, label="For this unit and all below"))
            self.add(
                "procedure",
                forms.ModelChoiceField(
                    Procedure.objects.all(), label="For", empty_label="Every procedure", required=False
                ),
            )
            self.order_fields(["title", "kept_at", "unit", "procedure", "rests", "review_on"])

    @property
    def policy(self) -> Policy:
        """The policy as typed."""
        said = dict(self.cleaned_data)
        said["rests"] = tuple(said["rests"])
        if self.before is not None:
            said |= {"unit": self.before.unit, "procedure": self.before.procedure}
        return Policy(**said)


class EndPolicyForm(Form):
    reason = forms.CharField(
        label="Why it is no longer in force",
        max_length=LONGEST_REASON,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="For example, which policy took its place.",
    )
