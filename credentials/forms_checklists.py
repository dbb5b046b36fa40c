"""The forms of writing a checklist and of taking one out of use. What may be done the writes decide."""

from collections.abc import Iterable, Mapping
from typing import Any
from uuid import uuid4

from django import forms

from audits.models import ChecklistDraft
from credentials.checklist_drafts import START_WORDS, Start
from credentials.forms import DocumentForm, NewDocumentForm, Signing
from people.fields import Form

NO_PATIENTS = "A sentence for somebody who was not there. Never write a patient's name or number."


def _lines(rows: int) -> forms.Textarea:
    return forms.Textarea(attrs={"rows": rows})


class BeginForm(NewDocumentForm):
    """For which unit and procedure, and what it begins with; the UUID is made with the page."""

    start = forms.ChoiceField(
        label="Begin", choices=list(START_WORDS.items()), initial=Start.IN_FORCE.value, widget=forms.RadioSelect
    )
    uuid = forms.UUIDField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("uuid", uuid4())
        self.order_fields(["unit", "procedure", "start", "uuid"])


class Revised(Form):
    """A form of a draft: says which revision of it was shown."""

    revision = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, draft: ChecklistDraft, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("revision", draft.revision)

    def said(self) -> Mapping[str, Any]:
        """What was typed, without the revision."""
        return {name: value for name, value in self.cleaned_data.items() if name != "revision"}

    def lines(self, row: Mapping[str, Any]) -> list[tuple[str, str]]:
        """Another state of the same row, in the words of this form."""
        found = []
        for name, field in self.fields.items():
            if name in row and row[name] not in ("", False):
                choices = dict(getattr(field, "choices", ()))
                words = "yes" if row[name] is True else choices.get(row[name], row[name])
                found.append((str(field.label).partition(":")[0], str(words)))
        return found


class StepForm(Revised):
    text = forms.CharField(
        label="What is seen", max_length=300, widget=_lines(2), help_text="One action that somebody can watch."
    )
    critical = forms.BooleanField(
        label="Critical: missed, or met only after a prompt, an observation for a decision comes to ‘not yet’",
        required=False,
    )
    if_arises = forms.BooleanField(label="Only if it arises: it may be marked ‘did not arise’", required=False)
    guidance = forms.CharField(label="Guidance for who watches", max_length=1000, widget=_lines(3), required=False)
    source = forms.CharField(
        label="Source",
        max_length=300,
        widget=_lines(2),
        required=False,
        help_text="Author, title and year, or ‘common practice, no source’.",
    )

    def __init__(self, *args: Any, draft: ChecklistDraft, **kwargs: Any) -> None:
        super().__init__(*args, draft=draft, **kwargs)
        phases = [(each["key"], each["name"]) for each in draft.content["phases"]]
        self.fields["phase"] = forms.ChoiceField(
            label="Phase",
            choices=phases,
            error_messages={"required": "Choose a phase.", "invalid_choice": "Choose one of these phases."},
        )
        names = ", ".join(f"{{{each['key']}}}" for each in draft.content["values"])
        if names:
            self.fields["text"].help_text += f" Local values stand in braces: {names}."
        self.order_fields(["phase", "text", "critical", "if_arises", "guidance", "source", "revision"])


class PhaseForm(Revised):
    name = forms.CharField(label="Name of the phase", max_length=60)
    stands = forms.BooleanField(
        label="Stands by itself: counts also where practice stopped at a missed vein after it", required=False
    )


class ValueForm(Revised):
    label = forms.CharField(label="What it is", max_length=80, help_text="For example, Flush.")
    text = forms.CharField(
        label="Value here", max_length=300, help_text="For example, 5 mL or more of sodium chloride 0.9%."
    )
    source = forms.CharField(label="Source", max_length=300, widget=_lines(2), required=False)


class WordsForm(Revised):
    """The name of the version, and the words of the overall impression, one in each line."""

    name = forms.CharField(label="Name of this version", max_length=80)
    ratings = forms.CharField(
        label="Overall impression",
        widget=_lines(5),
        help_text="Two to seven, each in a line of its own, the lowest first. They are ordered and never averaged.",
    )


ROW_FORMS: Mapping[str, type[Revised]] = {"step": StepForm, "phase": PhaseForm, "value": ValueForm}


class ProposeForm(DocumentForm, Revised):
    """The day from which it is to hold, and a remark for who approves; the name stands in the draft."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        del self.fields["name"]


class RetireForm(Signing):
    reason = forms.CharField(label="What is wrong with it", max_length=500, widget=_lines(3), help_text=NO_PATIENTS)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["reason", "email", "secret", "shown"])


class RetirementForm(Signing):
    confirm = forms.TypedChoiceField(
        label="What you decide",
        choices=[("yes", "It stays out of use, for good"), ("no", "It is right: in force again from today")],
        coerce=lambda value: value == "yes",
        widget=forms.RadioSelect,
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.order_fields(["confirm", "email", "secret", "shown"])


def first_of(units: Iterable[int], wanted: str | None) -> int | None:
    """The unit that a link names, if it is one of these."""
    return int(wanted) if wanted and wanted.isdigit() and int(wanted) in units else None
