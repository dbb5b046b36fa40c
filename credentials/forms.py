"""The forms of answers and decisions. They read what was typed; what may be done with it the writes decide."""

from collections.abc import Iterable
from typing import Any

from django import forms

from audits.awards import NewScope
from audits.models import Completion, Procedure
from credentials.comparing import Part
from credentials.flags import CLOSING
from credentials.rules.reading import Codes, Field, Number, Several, Whole, YesNo
from credentials.wording import option_words
from people.fields import DayField, Form
from people.forms import SignForm, ThroughField, UnitField
from people.models import Clinician, Profession
from people.tree import Tree


class Signing(SignForm):
    """A form that signs and asks nothing else, or the base of one that does."""


class HereField(UnitField):
    """One of these units."""

    def __init__(self, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(tree, units, error_messages={"required": "Choose a unit."}, **kwargs)


class ProcedureField(forms.ModelChoiceField):
    """One procedure; the first where nothing was chosen."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("label", "Procedure")
        super().__init__(Procedure.objects.all(), empty_label=None, **kwargs)


class WhoCanForm(Form):
    """Where and for what, and perhaps whom."""

    procedure = ProcedureField()
    name = forms.CharField(label="Name or staff number", required=False, max_length=80)

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = HereField(tree, units, label="Unit")
        self.order_fields(["unit", "procedure", "name"])


class ReplyForm(Form):
    text = forms.CharField(
        label="What you want to say",
        max_length=1000,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Everybody who sees this page reads it. Never write a patient's name or number.",
    )


class CloseFlagForm(Signing):
    outcome = forms.ChoiceField(
        label="What came of it", choices=[(each.value, each.label) for each in CLOSING], widget=forms.RadioSelect
    )
    reason = forms.CharField(
        label="Why",
        max_length=500,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="A sentence or two for somebody who was not there.",
    )


class DocumentForm(Form):
    """A version of rules or of a programme: the fields of its kind, a name, a day, and a remark for who approves."""

    name = forms.CharField(label="Name of this version", max_length=80)
    effective_on = DayField(label="In effect from")
    note = forms.CharField(
        label="What is different, and why", max_length=500, required=False, widget=forms.Textarea(attrs={"rows": 3})
    )


class NewDocumentForm(Form):
    """For which unit and procedure a version is begun."""

    procedure = ProcedureField()

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = HereField(tree, units, label="Unit")
        self.order_fields(["unit", "procedure"])


def _codes() -> list[tuple[str, str]]:
    """Every procedure by its code, asked when the form is shown."""
    return [(each.code, each.name) for each in Procedure.objects.all()]


def control(field: Field) -> forms.Field:
    """The control for one value of a programme or a rule."""
    if isinstance(field, Whole):
        return forms.IntegerField(
            label=field.label,
            min_value=field.low,
            max_value=field.high,
            error_messages={"required": f"Enter a number from {field.low} to {field.high}."},
        )
    if isinstance(field, Number):
        return forms.CharField(
            label=field.label,
            max_length=12,
            widget=forms.TextInput(attrs={"class": "short", "inputmode": "decimal"}),
            error_messages={"required": f"Enter a number such as {field.default}."},
        )
    if isinstance(field, YesNo):
        return forms.BooleanField(label=field.label, required=False)
    if isinstance(field, Codes):
        return forms.MultipleChoiceField(
            label=field.label, choices=_codes, required=False, widget=forms.CheckboxSelectMultiple
        )
    options = [(word, option_words(word)) for word in field.options]
    if isinstance(field, Several):
        return forms.MultipleChoiceField(label=field.label, choices=options, widget=forms.CheckboxSelectMultiple)
    return forms.ChoiceField(label=field.label, choices=options)


class PartForm(Form):
    """The values of a programme, or of one rule of a set; reads and gives content as the rules read it."""

    def __init__(self, *args: Any, part: Part, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.part = part
        for each in part.typed:
            self.fields[each.name] = control(each)


class DayAskedForm(Form):
    """Another day, and perhaps as the register knew it then."""

    procedure = ProcedureField(required=False)
    on = DayField(label="On", required=False)
    known_on = DayField(
        label="As known at the end of", required=False, help_text="A day. Leave it empty for what is known now."
    )
    known = forms.IntegerField(
        label="Or as known at number",
        required=False,
        min_value=1,
        help_text="The number of an act, as it stands under an answer.",
    )

    def clean(self) -> dict[str, Any]:
        found = super().clean() or self.cleaned_data
        if found.get("known") and found.get("known_on"):
            self.add_error("known", "Give either the day or the number, not both.")
        return found


class EnrolForm(Form):
    procedure = ProcedureField()
    from_day = DayField(label="From")


class EndForm(Form):
    until_day = ThroughField(label="Last day", required=True, help_text="The last day on which it holds.")
    reason = forms.CharField(label="Why", max_length=300)


class CompletionForm(Form):
    procedure = ProcedureField()
    # A return step is signed as done on a page of its own.
    kind = forms.ChoiceField(
        label="What was done",
        choices=[each for each in Completion.Kind.choices if each[0] != Completion.Kind.RETURN],
        widget=forms.RadioSelect,
    )
    about = forms.CharField(
        label="Title",
        max_length=120,
        required=False,
        help_text="Which test, session or policy it was, with its version. A policy needs it.",
    )
    on = DayField(label="On")
    result = forms.CharField(
        label="Result", max_length=60, required=False, help_text="As the paper says it: 18 of 20, 92%, satisfactory."
    )
    passed = forms.TypedChoiceField(
        label="Passed",
        choices=[("yes", "Passed, or done in full"), ("no", "Not passed: it is kept and counts for nothing")],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )
    valid_until = ThroughField(label="Valid through")
    verified_by = forms.CharField(label="Who saw the proof", max_length=150)


class WithdrawForm(Form):
    reason = forms.CharField(
        label="What is wrong with it",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="A sentence for somebody who was not there. Never write a patient's name or number.",
    )


class FoundingForm(Form):
    procedure = ProcedureField()
    awarded_on = DayField(label="Awarded on")
    expires_on = ThroughField(
        label="Valid through", help_text="The last day. Leave it empty to take the months of the programme."
    )
    evidence_kind = forms.CharField(label="What shows it", max_length=60, help_text="For example, a certificate.")
    evidence_place = forms.CharField(label="Where it is kept", max_length=120)

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scope_unit"] = HereField(tree, units, label="Holds at this unit and below")


class AwardForm(Signing):
    """Where the award is to hold; of a renewal it stays where it is."""

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scope_unit"] = HereField(tree, units, label="Holds at this unit and below")
        self.order_fields(["scope_unit", "email", "secret", "shown"])


class ScopeForm(Form):
    """What a scope by role is to say. For a profession it asks which."""

    procedure = ProcedureField()
    from_day = DayField(label="From")
    until_day = ThroughField(required=True, help_text="The last day: it is looked at again by then.")
    basis = forms.CharField(
        label="On what grounds", max_length=300, help_text="For example, specialist registration in anaesthesia."
    )

    def __init__(
        self, *args: Any, tree: Tree, units: Iterable[int], is_for_profession: bool = False, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["unit"] = HereField(tree, units, label="At this unit and below")
        if is_for_profession:
            self.fields["profession"] = forms.ChoiceField(label="Profession", choices=Profession.choices)
        self.order_fields(["profession", "procedure", "unit", "from_day", "until_day", "basis"])

    def scope_of(self, clinician: Clinician | None) -> NewScope:
        """The scope as typed, of this person or, without one, of the profession."""
        return NewScope(clinician=clinician, **self.cleaned_data)


class EndScopeForm(Signing):
    until_day = ThroughField(label="Last day", required=True, help_text="The last day on which it holds.")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["until_day", "email", "secret", "shown"])
