"""The forms of observations. They read what was ticked and typed; what may be done with it `audits.observing` says."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import date, datetime, time
from typing import Any, NamedTuple
from uuid import uuid4
from zoneinfo import ZoneInfo

from django import forms
from django.db.models import Q

from audits.checklist import LEVEL_WORDS, MARK_WORDS, PURPOSE_WORDS, SETTING_WORDS, Checklist, Mark, Purpose, Step
from audits.models import Observation, Procedure
from audits.observing import LONGEST_NOTE, LONGEST_TEXT
from people import clock
from people.access import Access
from people.fields import ClockField, DayField, Form
from people.forms import UnitField
from people.models import Clinician, User
from people.tree import Tree

OFTEN = (Mark.MET, Mark.PROMPTED, Mark.NOT_MET)
SELDOM = (Mark.NOT_REACHED, Mark.DID_NOT_ARISE, Mark.NOT_APPLICABLE)
PURPOSE_EXPLAINED = {
    Purpose.LEARNING: "Feedback only: it never stands for an award and raises no question.",
    Purpose.DECISION: "Counts towards the award or renewal. A critical step missed, or met only after a prompt, means "
    "'not yet'. Only an assessor who holds the procedure.",
}


class FindForm(Form):
    """Whom to observe."""

    name = forms.CharField(label="Name or staff number", max_length=80)

    def find(self, mine: Access) -> list[Clinician]:
        rows = mine.in_scope().exclude(user=mine.user)
        for word in self.cleaned_data["name"].split():
            rows = rows.filter(Q(name__icontains=word) | Q(staff_number__iexact=word))
        return list(rows.order_by("name", "pk")[:20])


class BeginForm(Form):
    """What is fixed before the first tick."""

    uuid = forms.UUIDField(widget=forms.HiddenInput)
    purpose = forms.ChoiceField(label="What for", choices=tuple(PURPOSE_WORDS.items()), widget=forms.RadioSelect)
    setting = forms.ChoiceField(
        label="Where it happens", choices=tuple(SETTING_WORDS.items()), widget=forms.RadioSelect
    )
    day = DayField(label="Day", required=False)
    time = ClockField(label="Time", required=False)
    fold = forms.TypedChoiceField(
        label="If the clocks went back that night",
        choices=[("", "They did not"), ("0", "The first of the two"), ("1", "The second of the two")],
        coerce=int,
        empty_value=None,
        required=False,
    )

    def __init__(self, *args: Any, tree: Tree, units: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.initial.setdefault("uuid", uuid4())
        self.initial.setdefault("setting", "patient")
        self.fields["procedure"] = forms.ModelChoiceField(Procedure.objects.all(), label="Procedure", empty_label=None)
        self.fields["unit"] = UnitField(tree, units, label="Unit", error_messages={"required": "Choose a unit."})
        self.tree = tree
        self.order_fields(["uuid", "purpose", "setting", "procedure", "unit", "day", "time", "fold"])

    def clean(self) -> dict[str, Any]:
        found = super().clean() or self.cleaned_data
        if found.get("day") and not found.get("time"):
            self.add_error("time", "Give the time with the day, or leave both empty for now.")
        return found

    def observed_at(self) -> datetime | None:
        """The local time, None for now."""
        said: time | None = self.cleaned_data["time"]
        if said is None:
            return None
        zone = self.tree.zone(self.cleaned_data["unit"].pk)
        day: date = self.cleaned_data["day"] or clock.today(zone)
        return datetime.combine(day, said)


class StepRow(NamedTuple):
    """A step as the page asks about it: its controls, the frequent marks apart from the rare ones."""

    step: Step
    place: int
    text: str
    guidance: str
    often: list[Any]
    seldom: list[Any]
    is_seldom: bool
    mark: forms.BoundField
    reason: forms.BoundField
    note: forms.BoundField

    @property
    def has_note(self) -> bool:
        return bool(self.note.value())


class WatchForm(Form):
    """Ticks and words on one observation: nothing is required, since it is kept as one goes."""

    revision = forms.IntegerField(widget=forms.HiddenInput)
    stopped = forms.BooleanField(label="Practice stopped at a missed vein", required=False)
    given = forms.ChoiceField(
        label="How closely this practice was supervised", choices=tuple(LEVEL_WORDS.items()), required=False,
        widget=forms.RadioSelect,
    )  # fmt: skip
    recommended = forms.ChoiceField(
        label="How you would have the next one done", choices=tuple(LEVEL_WORDS.items()), required=False,
        widget=forms.RadioSelect,
    )  # fmt: skip
    feedback = forms.CharField(
        label="Feedback", max_length=LONGEST_TEXT, required=False, widget=forms.Textarea(attrs={"rows": 4}),
        help_text="What went well, and one thing to work on. Never write who the patient is.",
    )  # fmt: skip
    next = forms.CharField(
        label="What comes next", max_length=LONGEST_TEXT, required=False, widget=forms.Textarea(attrs={"rows": 2}),
    )  # fmt: skip

    def __init__(self, *args: Any, checklist: Checklist, decides: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.checklist = checklist
        scale = [(str(place), words) for place, words in enumerate(checklist.ratings, start=1)]
        self.fields["rating"] = forms.TypedChoiceField(
            label="Overall impression", choices=scale, coerce=int, empty_value=None, required=False,
            widget=forms.RadioSelect,
        )  # fmt: skip
        if decides:
            self.fields["met"] = forms.TypedChoiceField(
                label="Your decision", choices=[("yes", "Met"), ("no", "Not yet")], required=False, empty_value=None,
                coerce=lambda said: said == "yes", widget=forms.RadioSelect,
            )  # fmt: skip
        for step in checklist.steps:
            marks = [Mark.DID_NOT_ARISE] if step.if_arises else []
            offered = [*OFTEN, Mark.NOT_REACHED, *marks, Mark.NOT_APPLICABLE]
            self.fields[f"mark-{step.key}"] = forms.ChoiceField(
                label=checklist.said(step.text), choices=[(str(each), MARK_WORDS[each]) for each in offered],
                required=False, widget=forms.RadioSelect,
            )  # fmt: skip
            self.fields[f"reason-{step.key}"] = forms.CharField(
                label="Why it does not apply", max_length=LONGEST_NOTE, required=False
            )
            self.fields[f"note-{step.key}"] = forms.CharField(label="Note", max_length=LONGEST_NOTE, required=False)

    @property
    def phases(self) -> Iterator[tuple[Any, list[StepRow]]]:
        place = 0
        for phase in self.checklist.phases:
            rows = []
            for step in self.checklist.steps_of(phase.key):
                place += 1
                rows.append(self._row(step, place))
            yield phase, rows

    def _row(self, step: Step, place: int) -> StepRow:
        mark = self[f"mark-{step.key}"]
        tiles = list(mark)
        return StepRow(
            step=step,
            place=place,
            text=self.checklist.said(step.text),
            guidance=self.checklist.said(step.guidance),
            often=tiles[: len(OFTEN)],
            seldom=tiles[len(OFTEN) :],
            is_seldom=mark.value() in list(SELDOM),
            mark=mark,
            reason=self[f"reason-{step.key}"],
            note=self[f"note-{step.key}"],
        )

    def changes(self) -> dict[str, Any]:
        """What was said, as `observing.save` takes it. A step without a tick keeps the one that it had."""
        said = self.cleaned_data
        marks: dict[str, dict[str, str]] = {}
        for step in self.checklist.steps:
            row = {part: said[f"{part}-{step.key}"] for part in ("reason", "note")}
            if mark := said[f"mark-{step.key}"]:
                row["mark"] = mark
            marks[step.key] = row
        found = {name: said[name] for name in ("stopped", "given", "recommended", "feedback", "next", "rating")}
        if "met" in self.fields:
            found["met"] = said["met"]
        return {**found, "marks": marks}


def initial_of(said: Mapping[str, Any], revision: int) -> dict[str, Any]:
    """What is kept, as the form shows it."""
    met = {True: "yes", False: "no", None: ""}[said["met"]]
    found: dict[str, Any] = {**said, "revision": revision, "met": met}
    for key, each in found.pop("marks").items():
        found |= {f"{part}-{key}": each.get(part, "") for part in ("mark", "reason", "note")}
    return found


class DropForm(Form):
    reason = forms.CharField(label="Why", max_length=LONGEST_NOTE, widget=forms.Textarea(attrs={"rows": 2}))


class SayForm(Form):
    """What somebody says to an observation."""

    text = forms.CharField(
        label="What you want to say",
        max_length=1000,
        required=False,
        widget=forms.Textarea(attrs={"rows": 4}),
        help_text="Seen by you, the assessor and the educators of the unit. Never write who the patient is.",
    )


class DisputeForm(Form):
    reason = forms.CharField(
        label="What is wrong",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Until it is decided, the observation counts towards no terms. A critical step missed still shows.",
    )


class SecondForm(Form):
    def __init__(self, *args: Any, people: Iterable[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["whom"] = forms.TypedChoiceField(
            label="Who watched too", choices=[(str(each.pk), each.name) for each in people], coerce=int
        )


def local_time(row: Observation) -> datetime:
    return row.observed_at.astimezone(ZoneInfo(row.zone))
