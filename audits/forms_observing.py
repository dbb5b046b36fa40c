"""The forms of observing. They read what was typed; what may be done with it the writes decide."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime, time
from typing import Any
from uuid import uuid4

from django import forms
from django.http import QueryDict

from audits.checklist import PURPOSE_WORDS, SETTING_WORDS
from audits.models import Procedure
from people import clock
from people.access import Access
from people.fields import ClockField, DayField, Form, WhichField
from people.forms import UnitField
from people.models import Clinician, User
from people.naming import called
from people.problems import Problem, Problems
from people.tree import Tree

NEVER = "Never write a patient's name, birth date or record number."
PURPOSES = {
    "learning": "To help the next one go better: feedback and how closely to supervise. No verdict, and it counts "
    "towards no decision.",
    "decision": "To decide on award, renewal or a plan. A critical step not met, or met only after a prompt, means "
    "‘not yet’, whatever else went well.",
}
SETTINGS = {
    "patient": "",
    "simulation": "A manikin or a scenario.",
    "laboratory": "A part practised at a bench.",
}


class FindForm(Form):
    """Whom to observe."""

    name = forms.CharField(label="Name or staff number", max_length=80)

    def find(self, mine: Access) -> list[Clinician]:
        rows = mine.in_scope().exclude(user=mine.user)
        return list(rows.filter(called(self.cleaned_data["name"])).order_by("name", "pk")[:20])


class BeginForm(Form):
    """What is fixed before the first tick. `looked` renders what was typed without judging it."""

    uuid = forms.UUIDField(widget=forms.HiddenInput)
    setting = forms.ChoiceField(label="Where", choices=tuple(SETTING_WORDS.items()), widget=forms.RadioSelect)
    purpose = forms.ChoiceField(
        label="What is it for?",
        choices=tuple(PURPOSE_WORDS.items()),
        widget=forms.RadioSelect,
        help_text="This can't be changed once you have begun.",
    )
    fold = WhichField()

    def __init__(
        self,
        data: QueryDict | None = None,
        *,
        tree: Tree,
        units: Iterable[int],
        unit: int | None,
        procedure: int | None,
        looked: QueryDict | None = None,
    ) -> None:
        start: dict[str, Any] = {"uuid": uuid4(), "unit": unit, "procedure": procedure}
        if looked is not None:
            start |= {name: looked.get(name) for name in looked if name != "csrfmiddlewaretoken"}
        super().__init__(data, initial=start)
        self.said = data if data is not None else start
        procedures = list(Procedure.objects.order_by("name", "pk"))
        self.fields["procedure"] = forms.TypedChoiceField(
            label="Procedure",
            choices=[(each.pk, each.name) for each in procedures],
            coerce=lambda key: next(each for each in procedures if str(each.pk) == key),
            widget=forms.RadioSelect,
            error_messages={"required": "Choose “Procedure”."},
        )
        self.fields["unit"] = UnitField(tree, units, label="Unit")
        self.tree = tree
        self.fields["day"] = DayField(
            label="Day", required=False, today=lambda: self.today, help_text="Leave both empty if it is now."
        )
        self.fields["time"] = ClockField(label="Time", required=False, help_text="")
        if not data or data.get("fold") in (None, ""):
            del self.fields["fold"]

    @property
    def unit_now(self) -> int | None:
        """The unit as it is chosen now, whether or not the form was judged."""
        value = str(self.said.get("unit") or "")
        return int(value) if value.isascii() and value.isdigit() and int(value) in self.tree else None

    @property
    def procedure_now(self) -> int | None:
        value = str(self.said.get("procedure") or "")
        return int(value) if value.isascii() and value.isdigit() and len(value) < 10 else None

    @property
    def today(self) -> date:
        unit = self.unit_now
        return clock.today(self.tree.zone(unit if unit is not None else self.tree.root))

    @property
    def day_now(self) -> date:
        """The day that was typed, today as long as it can't be read."""
        try:
            found = self.fields["day"].clean(self.said.get("day"))
        except forms.ValidationError:
            found = None
        return found if isinstance(found, date) else self.today

    @property
    def is_earlier(self) -> bool:
        """Whether something says that it was not just now, so that its fields must not be folded away."""
        return any(self[name].value() or name in self.errors for name in ("day", "time")) or "fold" in self.fields

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        day, hour = said.get("day"), said.get("time")
        if "day" not in self.errors and "time" not in self.errors and (day is None) != (hour is None):
            self.add_error("time" if hour is None else "day", "Give the day and the time, or leave both empty.")
        return said

    def begun(self) -> dict[str, Any]:
        """As `observing.begin` takes it. Call it when the form is valid."""
        said = self.cleaned_data
        day, hour = said["day"], said["time"]
        names = ("uuid", "procedure", "unit", "purpose", "setting")
        return {name: said[name] for name in names} | {
            "observed_at": datetime.combine(day, hour) if day is not None and isinstance(hour, time) else None,
            "fold": said.get("fold"),
        }

    def show(self, refused: Problems) -> None:
        """Put each refusal beside the question that it is about."""
        for item in refused.items:
            if item.field == "fold":
                self.fields["fold"] = self.base_fields["fold"]
            name = {"observed_at": "day"}.get(item.field, item.field)
            self.add_error(name if name in self.fields else None, item.text)


class Faults(Form):
    """What is wrong with ticks that were sent: for the summary at the top of the page, which links to each."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__({})
        for each in problems:
            widget = forms.RadioSelect if each.field.startswith("mark-") or each.field in _TILES else forms.Textarea
            self.fields[each.field] = forms.CharField(required=False, widget=widget)
        for each in problems:
            self.add_error(each.field, each.text)


_TILES = ("rating", "given", "recommended", "met")


class ReasonForm(Form):
    reason = forms.CharField(label="Why", max_length=300, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: object, label: str, hint: str = "", **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].label, self.fields["reason"].help_text = label, f"{hint} {NEVER}".strip()
        self.fields["reason"].error_messages["required"] = f"Fill in “{label}”."


class AnswerForm(Form):
    """What somebody says to an observation; who has only read it need say nothing."""

    text = forms.CharField(max_length=1000, widget=forms.Textarea(attrs={"rows": 4}), help_text=NEVER)

    def __init__(self, *args: object, acknowledges: bool, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        self.fields["text"].label = "Anything that you want to say to it" if acknowledges else "Your reply"
        self.fields["text"].required = not acknowledges
        self.fields["text"].error_messages["required"] = "Write what you want to say."


class AskForm(Form):
    """Whom to ask for a second rating."""

    whom = forms.TypedChoiceField(label="Who watched it too?", widget=forms.RadioSelect)

    def __init__(self, *args: object, people: Sequence[User], **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        field: Any = self.fields["whom"]
        field.choices = [(str(each.uuid), each.name) for each in people]
        field.coerce = lambda value: next(each for each in people if str(each.uuid) == value)
        field.error_messages["required"] = "Choose who watched it too."
