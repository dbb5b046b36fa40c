"""Checklists and what is seen against them: reading a version's content, and what the marks amount to. Pure.

Content of a version: {"values": [{"key", "label", "text", "source"}], "phases": [{"key", "name", "stands"}],
"steps": [{"key", "phase", "text", "critical", "if_arises", "guidance", "source"}], "ratings": ["...", ...]}.
A step's text and guidance may name a local value as {key}. `stands` marks the phases that an observation which stopped
at a missed vein can stand for. Vein entry itself is never a step: technique can be right and the vein missed.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import Any, NamedTuple


class Purpose(StrEnum):
    LEARNING = "learning"
    DECISION = "decision"


class Setting(StrEnum):
    """Where practice was watched. Counts of one are never added to those of another."""

    PATIENT = "patient"
    SIMULATION = "simulation"
    LABORATORY = "laboratory"


class Mark(StrEnum):
    MET = "met"
    PROMPTED = "prompted"
    NOT_MET = "not_met"
    NOT_REACHED = "not_reached"
    DID_NOT_ARISE = "did_not_arise"
    NOT_APPLICABLE = "not_applicable"


class Verdict(StrEnum):
    """What an observation for a decision comes to. PARTLY: stopped at a missed vein, everything before it met."""

    MET = "met"
    PARTLY = "partly"
    NOT_YET = "not_yet"


class Level(StrEnum):
    """How closely somebody was supervised, or should be next: ordered, the closest first; never averaged.

    Ordered permissions rather than a score: ten Cate, Schwartz and Chen, Acad Med 2020;95:1662. The words are our own.
    """

    WATCHES = "watches"
    IN_ROOM = "in_room"
    NEARBY = "nearby"
    ALONE = "alone"
    SUPERVISES = "supervises"


PURPOSE_WORDS = {Purpose.LEARNING.value: "For learning", Purpose.DECISION.value: "For a decision"}
SETTING_WORDS = {
    Setting.PATIENT.value: "With a patient",
    Setting.SIMULATION.value: "Simulation",
    Setting.LABORATORY.value: "Skills laboratory",
}
MARK_WORDS = {
    Mark.MET.value: "Met",
    Mark.PROMPTED.value: "Met after a prompt",
    Mark.NOT_MET.value: "Not met",
    Mark.NOT_REACHED.value: "Not reached",
    Mark.DID_NOT_ARISE.value: "Did not arise",
    Mark.NOT_APPLICABLE.value: "Not applicable",
}
VERDICT_WORDS = {
    Verdict.MET.value: "Met",
    Verdict.PARTLY.value: "Met as far as it went",
    Verdict.NOT_YET.value: "Not yet",
}
LEVEL_WORDS = {
    Level.WATCHES.value: "Watches, does not insert",
    Level.IN_ROOM.value: "With the supervisor in the room",
    Level.NEARBY.value: "With a supervisor quickly available",
    Level.ALONE.value: "Alone",
    Level.SUPERVISES.value: "Alone, and could supervise others",
}
MISSED = frozenset({Mark.NOT_MET, Mark.PROMPTED})
"""What counts as missed where a critical step is judged for a decision: prompted is not met."""

MOST_STEPS, MOST_PHASES, MOST_VALUES = 80, 12, 20
FEWEST_RATINGS, MOST_RATINGS, LONGEST_RATING = 2, 7, 80
_KEY = re.compile(r"[a-z][a-z0-9_]{0,39}")
_NAMED = re.compile(r"\{([^{}]*)\}")


class Fault(NamedTuple):
    """One thing to mend in a content: `path` names the field (with dots), `message` says what to do."""

    path: str
    message: str


@dataclass(frozen=True, slots=True)
class Value:
    """A local value: how far above the site the tourniquet goes, how much is flushed."""

    key: str
    label: str
    text: str
    source: str = ""


@dataclass(frozen=True, slots=True)
class Phase:
    key: str
    name: str
    stands: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """One observable action. `if_arises`: asked only if the situation arises."""

    key: str
    phase: str
    text: str
    critical: bool = False
    if_arises: bool = False
    guidance: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Checklist:
    """One version's content. `ratings` are the words of the overall impression, lowest first."""

    values: tuple[Value, ...]
    phases: tuple[Phase, ...]
    steps: tuple[Step, ...]
    ratings: tuple[str, ...]

    @classmethod
    def parse(cls, content: Mapping[str, Any]) -> "Checklist":
        """The checklist in this content. Raises ValueError with everything that is wrong with it."""
        if faults := errors_in(content):
            raise ValueError("; ".join(f"{each.path}: {each.message}" for each in faults))
        return cls.written(content)

    @classmethod
    def written(cls, content: Mapping[str, Any]) -> "Checklist":
        """The checklist as far as it is written: it may still lack what `errors_in` asks for."""
        return cls(
            values=tuple(Value(**each) for each in content["values"]),
            phases=tuple(Phase(**each) for each in content["phases"]),
            steps=tuple(Step(**each) for each in content["steps"]),
            ratings=tuple(content["ratings"]),
        )

    def to_content(self) -> dict[str, Any]:
        """The content that parses to this checklist: text, lists and booleans."""
        return {
            "values": [asdict(each) for each in self.values],
            "phases": [asdict(each) for each in self.phases],
            "steps": [asdict(each) for each in self.steps],
            "ratings": list(self.ratings),
        }

    def step(self, key: str) -> Step:
        """The step of this key. Raises KeyError."""
        found = next((each for each in self.steps if each.key == key), None)
        if found is None:
            raise KeyError(key)
        return found

    def steps_of(self, phase: str) -> tuple[Step, ...]:
        return tuple(each for each in self.steps if each.phase == phase)

    def said(self, text: str) -> str:
        """A step's text or guidance with its local values filled in."""
        known = {each.key: each.text for each in self.values}
        return _NAMED.sub(lambda found: known.get(found[1], found[0]), text)


@dataclass(frozen=True, slots=True)
class Seen:
    """What was marked at a step; not applicable needs a reason."""

    mark: Mark
    reason: str = ""
    note: str = ""


Marks = Mapping[str, Seen]


def values_named(text: str) -> list[str]:
    """The keys of the local values that a text names."""
    return _NAMED.findall(text)


def errors_in(content: Mapping[str, Any]) -> list[Fault]:
    """What is wrong with a version's content, for the form: an empty list if it can be used."""
    faults: list[Fault] = []
    read = {
        "values": _rows(content, "values", Value, MOST_VALUES, 0, faults),
        "phases": _rows(content, "phases", Phase, MOST_PHASES, 1, faults),
        "steps": _rows(content, "steps", Step, MOST_STEPS, 1, faults),
    }
    faults.extend(Fault(name, "is no part of a checklist") for name in content if name not in (*read, "ratings"))
    ratings = content.get("ratings")
    if not (
        isinstance(ratings, Sequence)
        and not isinstance(ratings, str)
        and FEWEST_RATINGS <= len(ratings) <= MOST_RATINGS
    ):
        faults.append(Fault("ratings", "Give two to seven words for the overall impression, the lowest first."))
    elif any(not isinstance(each, str) or not each.strip() or len(each) > LONGEST_RATING for each in ratings):
        faults.append(Fault("ratings", "Use 1 to 80 characters for each."))
    elif len({each.casefold() for each in ratings}) < len(ratings):
        faults.append(Fault("ratings", "Two of them are the same."))
    if not faults:
        faults.extend(_contradictions(read["values"], read["phases"], read["steps"]))
    return faults


_LONGEST = {"key": 40, "name": 60, "label": 80, "text": 300, "guidance": 1000, "source": 300, "phase": 40}
_MAY_BE_EMPTY = frozenset({"guidance", "source"})


def _rows(
    content: Mapping[str, Any], part: str, kind: type, most: int, least: int, faults: list[Fault]
) -> list[Mapping[str, Any]]:
    given = content.get(part)
    if not isinstance(given, list) or not least <= len(given) <= most:
        faults.append(Fault(part, f"Give {least} to {most} of them."))
        return []
    found: list[Mapping[str, Any]] = []
    for place, row in enumerate(given):
        at = f"{part}.{place}"
        if not isinstance(row, Mapping):
            faults.append(Fault(at, "must be an object"))
            continue
        faults.extend(Fault(f"{at}.{fault.path}", fault.message) for fault in errors_in_row(kind, row))
        found.append(row)
    keys = [row.get("key") for row in found]
    faults.extend(
        Fault(f"{part}.{place}.key", "is used twice") for place, key in enumerate(keys) if key in keys[:place]
    )
    return found


def errors_in_row(kind: type, row: Mapping[str, Any]) -> list[Fault]:
    """What is wrong with one Value, Phase or Step as content holds it; each path is the name of a field."""
    fields = kind.__dataclass_fields__  # type: ignore[attr-defined]
    faults = [Fault(name, "is not known here") for name in row if name not in fields]
    for name, spec in fields.items():
        is_flag = spec.type in (bool, "bool")
        value = row.get(name, False if is_flag else "")
        faults.extend(Fault(name, each) for each in _value_faults(name, value, is_flag))
    return faults


def _value_faults(name: str, value: object, is_flag: bool) -> list[str]:
    if is_flag:
        return [] if isinstance(value, bool) else ["must be yes or no"]
    if not isinstance(value, str):
        return ["must be text"]
    if not value.strip():
        return [] if name in _MAY_BE_EMPTY else ["Fill this in."]
    if len(value) > _LONGEST[name]:
        return [f"Use at most {_LONGEST[name]} characters."]
    if name == "key" and not _KEY.fullmatch(value):
        return ["Use small letters, digits and _, beginning with a letter."]
    return []


def _contradictions(
    values: Sequence[Mapping[str, Any]], phases: Sequence[Mapping[str, Any]], steps: Sequence[Mapping[str, Any]]
) -> list[Fault]:
    faults: list[Fault] = []
    places = [each["key"] for each in phases]
    named = {each["key"] for each in values}
    for place, step in enumerate(steps):
        if step["phase"] not in places:
            faults.append(Fault(f"steps.{place}.phase", f"There is no phase {step['phase']!r}."))
        for part in ("text", "guidance"):
            faults.extend(
                Fault(f"steps.{place}.{part}", f"There is no local value {{{key}}}.")
                for key in values_named(step.get(part, ""))
                if key not in named
            )
    if not faults and (order := [places.index(each["phase"]) for each in steps]) != sorted(order):
        faults.append(Fault("steps", "Put the steps of a phase together, in the order of the phases."))
    used = {each["phase"] for each in steps}
    faults.extend(
        Fault(f"phases.{place}", "It has no steps.") for place, each in enumerate(phases) if each["key"] not in used
    )
    if not any(each.get("critical") for each in steps):
        faults.append(Fault("steps", "Mark at least one step as critical."))
    return faults


# --- what was seen ---


def marks_of(given: Mapping[str, Mapping[str, str]]) -> dict[str, Seen]:
    """Marks as content holds them: {step: {"mark", "reason", "note"}}. Raises ValueError for a mark that is none."""
    return {key: _seen(each) for key, each in given.items()}


def _seen(said: Mapping[str, str]) -> Seen:
    mark = Mark(said["mark"])
    # A reason that was given before the mark was changed says nothing any more.
    reason = said.get("reason", "") if mark is Mark.NOT_APPLICABLE else ""
    return Seen(mark, reason, said.get("note", ""))


def unfinished(checklist: Checklist, marks: Marks) -> list[Fault]:
    """What is still to be marked or said before an observation can be signed: path is the step's key."""
    faults: list[Fault] = []
    for step in checklist.steps:
        seen = marks.get(step.key)
        if seen is None:
            faults.append(Fault(step.key, "Not marked yet."))
        elif seen.mark is Mark.DID_NOT_ARISE and not step.if_arises:
            faults.append(Fault(step.key, "This step always arises: use 'not applicable' and say why."))
        elif seen.mark is Mark.NOT_APPLICABLE and not seen.reason.strip():
            faults.append(Fault(step.key, "Say why it does not apply."))
    return faults


def missed_critical(checklist: Checklist, marks: Marks) -> tuple[str, ...]:
    """Keys of critical steps not met, or met only after a prompt, in the checklist's order."""
    return tuple(
        step.key for step in checklist.steps if step.critical and step.key in marks and marks[step.key].mark in MISSED
    )


def not_reached_critical(checklist: Checklist, marks: Marks, *, stopped: bool) -> tuple[str, ...]:
    """Keys of critical steps that were never reached and should have been.

    Where practice stopped at a missed vein only those of the phases count that such an observation can stand for.
    """
    stands = {each.key for each in checklist.phases if each.stands}
    return tuple(
        step.key
        for step in checklist.steps
        if step.critical
        and step.key in marks
        and marks[step.key].mark is Mark.NOT_REACHED
        and (not stopped or step.phase in stands)
    )


def best_verdict(checklist: Checklist, marks: Marks, *, stopped: bool) -> Verdict:
    """The most that an observation for a decision can come to, whatever the score: the assessor may give less.

    A critical step not met, or met only after a prompt, means 'not yet'; so does one that was never reached, unless
    practice stopped at a missed vein before it. Stopped there, it stands for what came before and not alone for award.
    """
    if missed_critical(checklist, marks) or not_reached_critical(checklist, marks, stopped=stopped):
        return Verdict.NOT_YET
    return Verdict.PARTLY if stopped else Verdict.MET
