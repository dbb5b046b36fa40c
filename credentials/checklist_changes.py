"""What differs between two versions of a checklist, step by step, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from audits.checklist import Checklist, Phase, Step, Value


@dataclass(frozen=True, slots=True)
class StepNow:
    """A step of a version beside the one before: `tags` say what is different, `was` the earlier words."""

    step: Step
    number: int
    text: str
    guidance: str
    tags: tuple[str, ...] = ()
    was: str = ""


@dataclass(frozen=True, slots=True)
class PhaseNow:
    """A phase; `first` is the number of its first step in the whole."""

    phase: Phase
    first: int
    steps: tuple[StepNow, ...]
    tags: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ValueNow:
    key: str
    label: str
    text: str
    source: str
    tags: tuple[str, ...] = ()

    @property
    def named(self) -> str:
        """How a step names it."""
        return f"{{{self.key}}}"


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that differs; `at` is where it stands on the page, '' where it is gone."""

    words: str
    tags: tuple[str, ...]
    at: str = ""


@dataclass(frozen=True)
class Compared:
    """A version as a page shows it. `gone` are texts of steps, local values and ratings that it no longer has."""

    phases: tuple[PhaseNow, ...]
    values: tuple[ValueNow, ...]
    ratings: tuple[str, ...]
    new_ratings: tuple[str, ...]
    gone: tuple[str, ...]
    has_before: bool

    @property
    def changes(self) -> tuple[Change, ...]:
        """What differs from the version before, in the order of the page; what is gone comes last."""
        found = [Change(each.label, each.tags, f"value-{each.key}") for each in self.values if each.tags]
        for phase in self.phases:
            if phase.tags:
                found.append(Change(phase.phase.name, phase.tags, f"phase-{phase.phase.key}"))
            found += [
                Change(f"{each.number}. {each.text}", each.tags, f"step-{each.step.key}")
                for each in phase.steps
                if each.tags
            ]
        if self.has_before:
            found += [Change(f"Overall impression: {each}", ("new",), "impressions") for each in self.new_ratings]
        return (*found, *(Change(each, ("gone",)) for each in self.gone))


def compared(now: Checklist, before: Checklist | None) -> Compared:
    """Steps are the same step if they have the same key, whatever they say."""
    earlier = {step.key: step for step in before.steps} if before else {}
    order = [step.key for step in before.steps if step.key in {each.key for each in now.steps}] if before else []
    stayed = _in_order([step.key for step in now.steps if step.key in earlier], order)

    phases_before = {each.key: each for each in before.phases} if before else {}
    phases, number = [], 1
    for phase in now.phases:
        steps = [
            _step(now, step, place, before, earlier.get(step.key), step.key in stayed)
            for place, step in enumerate(now.steps_of(phase.key), number)
        ]
        tags = _phase_tags(phase, phases_before.get(phase.key)) if before else ()
        phases.append(PhaseNow(phase, number, tuple(steps), tags))
        number += len(steps)
    values_before = {each.key: each for each in before.values} if before else {}
    values = tuple(
        ValueNow(each.key, each.label, each.text, each.source, _value_tags(each, values_before.get(each.key)))
        if before
        else ValueNow(each.key, each.label, each.text, each.source)
        for each in now.values
    )
    new_ratings = tuple(each for each in now.ratings if before and each not in before.ratings)
    return Compared(tuple(phases), values, now.ratings, new_ratings, _gone(now, before), before is not None)


def _phase_tags(phase: Phase, old: Phase | None) -> tuple[str, ...]:
    if old is None:
        return ("new",)
    renamed = () if phase.name == old.name else (f"was {old.name}",)
    stands = () if phase.stands == old.stands else ("now stands by itself" if phase.stands else "no longer stands",)
    return (*renamed, *stands)


def _value_tags(value: Value, old: Value | None) -> tuple[str, ...]:
    if old is None:
        return ("new",)
    tags = [f"was {old.text}"] if value.text != old.text else []
    if value.label != old.label:
        tags.append(f"called {old.label} before")
    if value.source != old.source:
        tags.append("other source")
    return tuple(tags)


def _step(now: Checklist, step: Step, number: int, before: Checklist | None, old: Step | None, stayed: bool) -> StepNow:
    shown: dict[str, Any] = {
        "step": step,
        "number": number,
        "text": now.said(step.text),
        "guidance": now.said(step.guidance),
    }
    if before is None:
        return StepNow(**shown)
    if old is None:
        return StepNow(**shown, tags=("new",))
    tags = []
    if old.text != step.text:
        tags.append("reworded")
    if old.critical != step.critical:
        tags.append("now critical" if step.critical else "no longer critical")
    if old.if_arises != step.if_arises:
        tags.append("only if it arises" if step.if_arises else "always")
    if old.guidance != step.guidance:
        tags.append("other guidance")
    if old.source != step.source:
        tags.append("other source")
    if old.phase != step.phase or not stayed:
        tags.append("moved")
    return StepNow(**shown, tags=tuple(tags), was=before.said(old.text) if old.text != step.text else "")


def _gone(now: Checklist, before: Checklist | None) -> tuple[str, ...]:
    if before is None:
        return ()
    steps, values = {each.key for each in now.steps}, {each.key for each in now.values}
    phases = {each.key for each in now.phases}
    return (
        *(f"The phase {each.name}" for each in before.phases if each.key not in phases),
        *(before.said(each.text) for each in before.steps if each.key not in steps),
        *(f"{each.label}: {each.text}" for each in before.values if each.key not in values),
        *(f"Overall impression: {each}" for each in before.ratings if each not in now.ratings),
    )


def _in_order(now: Sequence[str], before: Sequence[str]) -> frozenset[str]:
    """The longest run of keys that kept their order: what is not in it was moved."""
    place = {key: at for at, key in enumerate(before)}
    best: list[list[str]] = []
    for key in now:
        runs = [run for run in best if place[run[-1]] < place[key]]
        longest: list[str] = max(runs, key=len, default=[])
        best.append([*longest, key])
    kept: list[str] = max(best, key=len, default=[])
    return frozenset(kept)
