"""Ticks as a page sends them, against what is kept: what was changed there, and where another device came between.

A page shows parts: one for each step, one for each thing said about the whole. With each it sends what it showed at
first (`was`), so that a page left open on another device never undoes what was ticked since.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import BadRequest

from audits import observing
from audits.checklist import LEVEL_WORDS, MARK_WORDS, Checklist, Mark
from audits.checklists import parsed
from audits.models import Observation, ObservationDraft
from audits.observing import EMPTY, AlreadySigned, ChangedElsewhere
from people.models import User
from people.problems import Problem, Problems

STEP, SAID = "step-", "said-"
STEP_FIELDS = ("mark", "reason", "note")
SAID_FIELDS = ("rating", "given", "recommended", "met", "feedback", "next")
_MET = {"yes": True, "no": False, "": None}
_TRIES = 5

Values = tuple[str, ...]
"""Of a step its mark, reason and note; of what is said one text. All '' as long as there is nothing."""


@dataclass(frozen=True)
class Sent:
    """What a page sent of each part that it holds, and what it had shown there (None: it does not tell)."""

    values: Mapping[str, Values]
    was: Mapping[str, Values | None]


@dataclass(frozen=True)
class Kept:
    """What is kept now. `clashes` are the parts that were not changed because another device had changed them since;
    `problems` are about the parts in `refused`, which hold what was typed there.
    """

    draft: ObservationDraft
    clashes: Mapping[str, Values]
    problems: Sequence[Problem]
    refused: Mapping[str, Values]


def parts_of(steps: Checklist) -> list[str]:
    return [*(f"{STEP}{step.key}" for step in steps.steps), *(f"{SAID}{name}" for name in SAID_FIELDS)]


def names_of(part: str) -> tuple[str, ...]:
    """The names of a part's fields, as the form and the refusals of `observing.save` have them."""
    if part.startswith(STEP):
        return tuple(f"{name}-{part.removeprefix(STEP)}" for name in STEP_FIELDS)
    return (part.removeprefix(SAID),)


def part_named(field: str) -> str:
    """The part that a field belongs to."""
    head, _, key = field.partition("-")
    return f"{STEP}{key}" if head in STEP_FIELDS and key else f"{SAID}{field}"


def values_in(content: Mapping[str, Any], part: str) -> Values:
    """What a draft's content holds of a part, as a form shows it."""
    if part.startswith(STEP):
        seen = content["marks"].get(part.removeprefix(STEP), {})
        return tuple(seen.get(name, "") for name in STEP_FIELDS)
    value = content[part.removeprefix(SAID)]
    if isinstance(value, bool):
        return ("yes" if value else "no",)
    return ("" if value is None else str(value),)


def shown_first(values: Values) -> str:
    """What a page notes beside a part as shown there."""
    return json.dumps(values)


def read(posted: Mapping[str, str], steps: Checklist) -> Sent:
    """The parts that came. Raises BadRequest for what no form of ours sends."""
    parts = [part for part in parts_of(steps) if f"was-{part}" in posted]
    values = {part: tuple(_typed(posted.get(name, "")) for name in names_of(part)) for part in parts}
    for part, said in values.items():
        if said[0] not in _offered(part, steps, said[0]):
            raise BadRequest(f"{part} was sent as {said[0]!r}, which is not offered")
    return Sent(values, {part: _was(posted[f"was-{part}"], len(values[part])) for part in parts})


def apart(sent: Sent, content: Mapping[str, Any]) -> tuple[dict[str, Values], dict[str, Values]]:
    """What was changed on the page that sent this, and what was changed both there and elsewhere."""
    changed: dict[str, Values] = {}
    clashes: dict[str, Values] = {}
    for part, typed in sent.values.items():
        kept, was = values_in(content, part), sent.was[part]
        if typed in (kept, was):
            continue
        (changed if was in (kept, None) else clashes)[part] = typed
    return changed, clashes


def keep(*, user: User, observation: Observation, sent: Sent) -> Kept:
    """Keep what was changed on a page, but for what clashes and what is refused. Raises NotPermitted, AlreadySigned."""
    refused: dict[str, Values] = {}
    problems: list[Problem] = []
    for _ in range(_TRIES):
        draft = draft_of(observation)
        changed, clashes = apart(sent, {**EMPTY, **draft.content})
        wanted = {part: values for part, values in changed.items() if part not in refused}
        try:
            draft = observing.save(
                user=user, observation=observation, changes=_changes(wanted), revision=draft.revision
            )
        except ChangedElsewhere:
            continue
        except Problems as found:
            problems += found.items
            refused |= {part: wanted[part] for each in found.items if (part := part_named(each.field)) in wanted}
            continue
        return Kept(draft, clashes, problems, refused)
    raise ChangedElsewhere(draft_of(observation))


def stop(*, user: User, observation: Observation, rest: bool) -> ObservationDraft:
    """Say that practice stopped at a missed vein; `rest` marks what is unmarked behind it as not reached.

    Raises AlreadySigned, ChangedElsewhere.
    """
    draft = draft_of(observation)
    changes: dict[str, Any] = {"stopped": True}
    if rest:
        marks = draft.content["marks"]
        changes["marks"] = {
            key: {"mark": str(Mark.NOT_REACHED)}
            for key in behind(parsed(observation.checklist))
            if not marks.get(key, {}).get("mark")
        }
    return observing.save(user=user, observation=observation, changes=changes, revision=draft.revision)


def behind(steps: Checklist) -> list[str]:
    """The keys of the steps that lie behind a missed vein: those of the phases that do not stand without it."""
    stands = {each.key for each in steps.phases if each.stands}
    return [step.key for step in steps.steps if step.phase not in stands]


def draft_of(observation: Observation) -> ObservationDraft:
    """Raises AlreadySigned where nothing is kept any more."""
    found = ObservationDraft.objects.filter(observation=observation).first()
    if found is None:
        raise AlreadySigned("This observation was signed or given up meanwhile.")
    return found


def in_words(part: str, values: Values, steps: Checklist) -> str:
    """What a part holds, for a sentence about it."""
    value = values[0]
    if not any(values):
        return "nothing"
    if part.startswith(STEP):
        return ", ".join(each for each in (MARK_WORDS.get(value, "no mark"), *values[1:]) if each)
    if part == f"{SAID}rating":
        return steps.ratings[int(value) - 1]
    if part == f"{SAID}met":
        return "Met" if value == "yes" else "Not yet"
    return LEVEL_WORDS.get(value, value)


def _changes(parts: Mapping[str, Values]) -> dict[str, Any]:
    """As `observing.save` takes them."""
    changes: dict[str, Any] = {}
    for part, values in parts.items():
        if part.startswith(STEP):
            marks = changes.setdefault("marks", {})
            marks[part.removeprefix(STEP)] = dict(zip(STEP_FIELDS, values, strict=True))
        else:
            name, value = part.removeprefix(SAID), values[0]
            changes[name] = _MET[value] if name == "met" else _place(value) if name == "rating" else value
    return changes


def _place(value: str) -> int | None:
    return int(value) if value else None


def _typed(value: str) -> str:
    return value.replace("\r\n", "\n").strip()


def _offered(part: str, steps: Checklist, value: str) -> Sequence[str]:
    """What the first field of a part may hold."""
    if part.startswith(STEP):
        return ["", *MARK_WORDS]
    if part == f"{SAID}rating":
        return ["", *(str(place) for place in range(1, len(steps.ratings) + 1))]
    if part == f"{SAID}met":
        return list(_MET)
    if part in (f"{SAID}given", f"{SAID}recommended"):
        return ["", *LEVEL_WORDS]
    return [value]


def _was(text: str, count: int) -> Values | None:
    try:
        found = json.loads(text)
    except ValueError:
        return None
    if not isinstance(found, list) or len(found) != count or not all(isinstance(each, str) for each in found):
        return None
    return tuple(found)
