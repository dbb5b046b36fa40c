"""The form of the insertion log. It reads what was typed; what is wrong with an entry `audits.entry` says."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from django import forms
from django.http import QueryDict

from audits.attempt_form import AttemptForm, choices, said_of
from audits.entry import LONGEST_COMMENT, MOST_ATTEMPTS, AttemptMade, Difficulty, Entry, problems
from audits.models import Nearness, Result, Scored, Technique
from audits.supervision import Candidate, candidates, procedures_for
from audits.vocabulary import BANDS, EVENTS, GUIDED, HELP, REASONS, REASONS_FOR_NO_ATTEMPT, SCALES
from people import clock
from people.fields import ClockField, DayField, Form, WhichField
from people.forms import UnitField
from people.models import Clinician, User
from people.problems import Problem, Problems
from people.tree import Tree

NOBODY = "nobody"
FEWEST_ROWS = 2


class LogForm(Form):
    """One entry. `looked` renders what was typed without judging it: for another unit's supervisors, a further row."""

    uuid = forms.UUIDField(widget=forms.HiddenInput)
    rows = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=MOST_ATTEMPTS)
    result = forms.ChoiceField(label="How did it go?", choices=Result.choices, widget=forms.RadioSelect)
    band = forms.ChoiceField(label="Patient", choices=choices(BANDS), widget=forms.RadioSelect)
    nearness = forms.ChoiceField(
        label="Supervisor was", choices=Nearness.choices, widget=forms.RadioSelect, required=False
    )
    serious = forms.ChoiceField(
        label="Anything serious?", choices=[("no", "No"), ("yes", "Yes, tell")], widget=forms.RadioSelect
    )
    events = forms.MultipleChoiceField(
        label="What happened", choices=choices(EVENTS), widget=forms.CheckboxSelectMultiple, required=False
    )
    not_attempted = forms.ChoiceField(
        label="Why not?", choices=choices(REASONS, REASONS_FOR_NO_ATTEMPT), widget=forms.RadioSelect, required=False
    )
    others_before = forms.IntegerField(
        label="Punctures by others before yours",
        required=False,
        min_value=0,
        max_value=MOST_ATTEMPTS,
        help_text="For the same need, before you began.",
    )
    occasion = forms.CharField(
        label="Code of the occasion",
        required=False,
        max_length=20,
        help_text="If a colleague tried for the same need, the code that their entry was given.",
        widget=forms.TextInput(attrs={"class": "short", "autocomplete": "off", "autocapitalize": "characters"}),
    )
    help_called = forms.ChoiceField(label="Help called", choices=[("", "Not noted"), *choices(HELP)], required=False)
    scale = forms.ChoiceField(
        label="Difficult access, scored with", choices=[("", "Not scored"), *choices(SCALES)], required=False
    )
    score = forms.IntegerField(label="Score", required=False, min_value=0, max_value=10)
    scored = forms.ChoiceField(label="When scored", choices=Scored.choices, widget=forms.RadioSelect, required=False)
    emergency = forms.BooleanField(label="An emergency: nobody could supervise", required=False)
    simulation = forms.BooleanField(label="A simulation, not a patient", required=False)
    comment = forms.CharField(
        label="Comment",
        required=False,
        max_length=LONGEST_COMMENT,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="Never write a name, birth date or record number here.",
    )
    fold = WhichField()

    def __init__(
        self,
        data: QueryDict | None = None,
        *,
        clinician: Clinician,
        tree: Tree,
        units: Iterable[int],
        unit: int | None,
        old: Entry | None = None,
        named: User | None = None,
        from_sheet: bool = False,
        looked: QueryDict | None = None,
    ) -> None:
        self.clinician, self.tree, self.from_sheet = clinician, tree, from_sheet
        self.old = old
        start = _typed(looked) if looked is not None else _said(old, tree) if old else _now(tree, unit)
        super().__init__(data, initial=start)
        said: Mapping[str, Any] = data if data is not None else start
        zone = tree.zone(self._unit(said) or unit or tree.root)
        self.fields["day"] = DayField(label="Day", today=lambda: clock.today(zone), help_text="")
        self.fields["time"] = ClockField(label="Time", help_text="", required=old is None or old.time_known)
        self.fields["unit"] = UnitField(tree, units, label="Unit")
        self.candidates = self._candidates(said, unit, named)
        self.fields["supervisor"] = forms.ChoiceField(
            label="Supervisor",
            choices=[*((each.uuid, each.name) for each in self.candidates), (NOBODY, "Nobody")],
            widget=forms.RadioSelect,
            error_messages={
                "required": "Choose your supervisor, or say that nobody was there.",
                "invalid_choice": "Choose again: this person is not appointed to supervise on this unit that day.",
            },
        )
        if said.get("fold") in (None, ""):
            del self.fields["fold"]
        count = max(FEWEST_ROWS, min(_whole(said.get("rows"), FEWEST_ROWS), MOST_ATTEMPTS))
        self.initial["rows"] = count
        self.attempts = [self._attempt(place, data, looked) for place in range(count)]

    def _attempt(self, place: int, data: QueryDict | None, looked: QueryDict | None) -> AttemptForm:
        if looked is not None:
            names = AttemptForm.base_fields
            start: Mapping[str, Any] = {name: looked.get(f"a{place}-{name}", "") for name in names}
        elif self.old and place < len(self.old.attempts):
            start = said_of(self.old.attempts[place], self.from_sheet)
        else:
            start = {"technique": self.old.technique} if self.old and not place else {}
        return AttemptForm(data, place=place, initial=dict(start), from_sheet=self.from_sheet)

    def _unit(self, said: Mapping[str, Any]) -> int | None:
        found = _whole(said.get("unit"), 0)
        return found if found in self.tree else None

    def _candidates(self, said: Mapping[str, Any], unit: int | None, named: User | None) -> list[Candidate]:
        at = self._unit(said) or unit
        if at is None:
            return []
        technique = said.get("a0-technique") or (self.old.technique if self.old else "landmark")
        means = Technique.ULTRASOUND if technique in GUIDED else Technique.LANDMARK
        procedures = procedures_for(said.get("band") or "", means)
        day = _day(said.get("day"), self.tree.zone(at))
        return candidates(self.clinician, unit=at, procedures=procedures, on=day, named=named)

    @property
    def able(self) -> list[Any]:
        """The tiles of those who may supervise, and of nobody."""
        refused = {each.uuid for each in self.candidates if each.refusal}
        return [tile for tile in self["supervisor"].subwidgets if tile.data["value"] not in refused]

    @property
    def refused(self) -> list[tuple[Any, str]]:
        """The tiles of those who are appointed here and may not supervise this, each with the reason."""
        why = {each.uuid: each.refusal for each in self.candidates if each.refusal}
        return [(tile, why[tile.data["value"]]) for tile in self["supervisor"].subwidgets if tile.data["value"] in why]

    @property
    def names_refused(self) -> bool:
        """Whether somebody who may not supervise is chosen, so that their tiles must not be folded away."""
        return self["supervisor"].value() in {each.uuid for each in self.candidates if each.refusal}

    @property
    def has_more(self) -> bool:
        """Whether something behind the fold is filled in or to be mended."""
        folded = ("others_before", "occasion", "help_called", "scale", "score", "scored", "emergency", "simulation")
        first = self.attempts[0]
        return any(self[name].value() or name in self.errors for name in (*folded, "comment")) or bool(
            first["side"].value() or first["technique"].value() not in (None, "", "landmark")
        )

    def is_valid(self) -> bool:
        valid = all([super().is_valid(), *(each.is_valid() for each in self.attempts)])
        if (
            self.is_bound
            and not valid
            and "result" in self.cleaned_data
            and all(not each.errors for each in self.attempts)
        ):
            self._say_what_else()
        return valid

    def _say_what_else(self) -> None:
        """What would be refused next, with answers in the place of those still missing, so that all is said at once."""
        missing = {
            "uuid": self.clinician.uuid, "unit": self.clinician, "band": "adult", "supervisor": NOBODY, "serious": "no",
            "day": date(2020, 1, 1), "time": time.min,
        }  # fmt: skip
        said = dict.fromkeys(self.fields) | missing | self.cleaned_data
        if "supervisor" not in self.cleaned_data:
            said["nearness"] = ""
        texts = ("nearness", "not_attempted", "scale", "scored", "occasion", "help_called", "comment")
        entry = self._entry({name: "" if name in texts and value is None else value for name, value in said.items()})
        for each in problems(entry, from_sheet=self.from_sheet):
            self._show(each)

    def entry(self) -> Entry:
        """The entry as it was typed. Call it when the form is valid."""
        return self._entry(self.cleaned_data)

    def _entry(self, said: Mapping[str, Any]) -> Entry:
        attempts = self._made(said["result"])
        nobody = said["supervisor"] == NOBODY
        hour: time | None = said["time"]
        return Entry(
            uuid=said["uuid"],
            clinician=self.clinician.uuid,
            unit=said["unit"].uuid,
            band=said["band"],
            performed=datetime.combine(said["day"], hour or time.min),
            time_known=hour is not None,
            events=tuple(said["events"] or ()) if said["serious"] == "yes" else (),
            attempts=tuple(attempts),
            not_attempted=said["not_attempted"] if said["result"] == Result.NO_ATTEMPT else "",
            technique=attempts[0].technique if attempts else self.attempts[0].cleaned_data["technique"] or "landmark",
            supervisor=None if nobody else UUID(said["supervisor"]),
            nearness=said["nearness"],
            emergency=said["emergency"],
            simulation=said["simulation"],
            fold=said.get("fold"),
            occasion=said["occasion"].strip(),
            others_before=said["others_before"] or 0,
            difficulty=_difficulty(said),
            help_called=said["help_called"],
            comment=said["comment"].strip(),
        )

    def _made(self, result: str) -> list[AttemptMade]:
        """The attempts of this result; `self.used` keeps from which rows they come."""
        self.used: list[AttemptForm] = []
        if result == Result.NO_ATTEMPT:
            return []
        first, *further = self.attempts
        self.used.append(first)
        made = [first.attempt(None, result="working" if result == Result.FIRST_TIME else "")]
        for each in further if result == Result.NOT_FIRST else ():
            if each.cleaned_data["result"]:
                made.append(each.attempt(made[-1]))
                self.used.append(each)
        return made

    def clean(self) -> dict[str, Any]:
        said = super().clean() or {}
        if said.get("serious") == "yes" and not said.get("events"):
            self.add_error("events", "Choose what happened.")
        return said

    def show(self, refused: Problems) -> None:
        """Put each refusal beside the question that it is about."""
        for item in refused.items:
            self._show(item)

    def _show(self, item: Problem) -> None:
        head, _, rest = item.field.partition(".")
        if head == "attempts" and rest:
            place, _, part = rest.partition(".")
            self.used[int(place)].add_error(part, item.text)
        elif item.field == "technique":
            self.attempts[0].add_error("technique", item.text)
        elif item.field == "fold":
            self.fields["fold"] = self.base_fields["fold"]
            self.add_error("fold", item.text)
        else:
            name = {"performed": "day", "difficulty": "scale"}.get(item.field, item.field)
            if name not in self.errors:
                self.add_error(name if name in self.fields else None, item.text)


class CorrectForm(LogForm):
    reason = forms.CharField(
        label="Why it is corrected",
        max_length=300,
        widget=forms.Textarea(attrs={"rows": 2}),
        help_text="Stays with the entry. Never write a name, birth date or record number here.",
    )

    def entry(self) -> Entry:
        assert self.old is not None
        return replace(super().entry(), uuid=self.old.uuid)


def _difficulty(said: Mapping[str, Any]) -> Difficulty | None:
    """What was scored; None if nothing of it was filled in. What is incomplete, `audits.entry` refuses."""
    if not said["scale"] and said["score"] is None and not said["scored"]:
        return None
    return Difficulty(scale=said["scale"], score=-1 if said["score"] is None else said["score"], scored=said["scored"])


def _now(tree: Tree, unit: int | None) -> dict[str, Any]:
    local = clock.now().astimezone(ZoneInfo(tree.zone(unit or tree.root)))
    return {"uuid": uuid4(), "day": local.date(), "time": local.time(), "unit": unit, "rows": FEWEST_ROWS}


def _typed(data: QueryDict) -> dict[str, Any]:
    """What was typed, as initial values of a form that judges nothing yet."""
    found: dict[str, Any] = {name: data.get(name) for name in data if name != "csrfmiddlewaretoken"}
    more = data.get("look") == "attempt"
    return found | {"events": data.getlist("events"), "rows": _whole(data.get("rows"), FEWEST_ROWS) + more}


def _said(entry: Entry, tree: Tree) -> dict[str, Any]:
    """A stored entry as initial values."""
    unit = next((node.id for node in tree.nodes.values() if node.uuid == entry.unit), None)
    difficulty = entry.difficulty
    return {
        "uuid": entry.uuid,
        "rows": max(FEWEST_ROWS, len(entry.attempts) + 1),
        "day": entry.performed.date(),
        "time": entry.performed.time() if entry.time_known else None,
        "unit": unit,
        "result": entry.result.value,
        "band": entry.band,
        "supervisor": str(entry.supervisor) if entry.supervisor else NOBODY,
        "nearness": entry.nearness,
        "serious": None if entry.events is None else "yes" if entry.events else "no",
        "events": list(entry.events or ()),
        "not_attempted": entry.not_attempted,
        "others_before": entry.others_before or None,
        "occasion": entry.occasion,
        "help_called": entry.help_called,
        "scale": difficulty.scale if difficulty else "",
        "score": difficulty.score if difficulty else None,
        "scored": difficulty.scored if difficulty else "",
        "emergency": entry.emergency,
        "simulation": entry.simulation,
        "comment": entry.comment,
        "fold": entry.fold,
    }


def _whole(value: Any, otherwise: int) -> int:
    text = str(value or "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else otherwise


def _day(value: Any, zone: str) -> date:
    """The day that was typed, for looking up who may supervise; today as long as it can't be read."""
    try:
        found = DayField(today=lambda: clock.today(zone), required=False).clean(value)
    except forms.ValidationError:
        found = None
    return found if isinstance(found, date) else clock.today(zone)
