"""The page of ticks: an observation as it stands, phase by phase, with what its form shows; and how to begin one."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from audits import observing
from audits.checklist import LEVEL_WORDS, MARK_WORDS, Checklist, Mark, Purpose, Step
from audits.checklists import checklists_known, parsed
from audits.holding import Held, Refusal, holdings
from audits.models import Checklist as Version
from audits.models import Observation, ObservationDraft
from audits.observation_content import checked
from audits.observation_words import behind_words, limit_words, stands_for
from audits.observing import Check
from audits.ticks_sent import SAID, STEP, Kept, Values, draft_of, in_words, part_named, shown_first, values_in
from people import clock
from people.access import Access, Right
from people.clock import in_words as day_words
from people.problems import Problem

RECENTLY = timedelta(hours=1)
OFTEN = (Mark.MET, Mark.PROMPTED, Mark.NOT_MET)
# On a tile there is little room.
TILE_WORDS: Mapping[str, str] = {**MARK_WORDS, Mark.PROMPTED.value: "After a prompt", "": "No mark yet"}


@dataclass(frozen=True, slots=True)
class Tile:
    """One answer to a question: what is sent, what is read, whether it is the one."""

    id: str
    name: str
    value: str
    words: str
    checked: bool


@dataclass(frozen=True, slots=True)
class StepAsked:
    """A step as the page asks about it. `was` is what the page notes as shown."""

    step: Step
    place: int
    text: str
    guidance: str
    values: Values
    was: str
    faults: Sequence[str]

    @property
    def part(self) -> str:
        return f"{STEP}{self.step.key}"

    @property
    def params(self) -> str:
        """The fields that are sent when only this step is."""
        key = self.step.key
        return f"csrfmiddlewaretoken,was-{self.part},mark-{key},reason-{key},note-{key}"

    @property
    def often(self) -> list[Tile]:
        return self._tiles([*OFTEN, *([Mark.DID_NOT_ARISE] if self.step.if_arises else [])], 0)

    @property
    def seldom(self) -> list[Tile]:
        return self._tiles([Mark.NOT_REACHED, Mark.NOT_APPLICABLE, ""], len(self.often))

    @property
    def reason(self) -> str:
        return self.values[1]

    @property
    def note(self) -> str:
        return self.values[2]

    @property
    def is_marked(self) -> bool:
        return bool(self.values[0])

    @property
    def has_more(self) -> bool:
        """Whether something behind the fold is filled in or to be mended."""
        return self.values[0] in (Mark.NOT_REACHED, Mark.NOT_APPLICABLE) or any(self.values[1:]) or bool(self.faults)

    def _tiles(self, marks: Sequence[str], start: int) -> list[Tile]:
        name = f"mark-{self.step.key}"
        return [
            Tile(f"id_{name}_{start + n}", name, str(each), TILE_WORDS[str(each)], str(each) == self.values[0])
            for n, each in enumerate(marks)
        ]


@dataclass(frozen=True, slots=True)
class PhaseAsked:
    key: str
    name: str
    place: int
    steps: Sequence[StepAsked]

    @property
    def marked(self) -> int:
        return sum(each.is_marked for each in self.steps)


@dataclass(frozen=True, slots=True)
class SaidAsked:
    """Something said about the whole: a choice of tiles, or text."""

    name: str
    label: str
    hint: str
    value: str
    was: str
    faults: Sequence[str]
    tiles: Sequence[Tile] = ()
    is_optional: bool = False

    @property
    def part(self) -> str:
        return f"{SAID}{self.name}"

    @property
    def params(self) -> str:
        return f"csrfmiddlewaretoken,was-{self.part},{self.name}"


@dataclass(frozen=True)
class Watch:
    """Everything on the page of ticks."""

    check: Check
    where: str
    phases: Sequence[PhaseAsked]
    said: Sequence[SaidAsked]
    saved: str

    @property
    def row(self) -> Observation:
        return self.check.observation

    @property
    def keeps(self) -> str:
        """The name under which the browser keeps what it could not send."""
        return draft_name(self.row.uuid)

    @cached_property
    def steps(self) -> list[StepAsked]:
        return [step for phase in self.phases for step in phase.steps]

    @property
    def count(self) -> int:
        return len(self.steps)

    @property
    def marked(self) -> int:
        return sum(each.is_marked for each in self.steps)

    @property
    def following(self) -> StepAsked | None:
        """The first step that is not marked yet."""
        return next((each for each in self.steps if not each.is_marked), None)

    @property
    def is_stopped(self) -> bool:
        return bool(self.check.said["stopped"])

    @property
    def limit(self) -> str:
        return limit_words(self.check)

    @property
    def stands_for(self) -> str:
        return stands_for(self.check.checklist)

    @property
    def behind(self) -> str:
        """The phases behind a missed vein, '' if every phase stands without it."""
        return behind_words(self.check.checklist)

    @property
    def decides(self) -> bool:
        return self.row.purpose == Purpose.DECISION

    def part(self, part: str) -> StepAsked | SaidAsked | None:
        asked: list[StepAsked | SaidAsked] = [*self.steps, *self.said]
        return next((each for each in asked if each.part == part), None)


def draft_name(uuid: UUID) -> str:
    return f"observe-{uuid}"


def watch(access: Access, row: Observation, kept: Kept | None = None) -> Watch:
    """The page of one's own observation that is not signed. `kept` is what became of what was just sent from it."""
    draft = kept.draft if kept else draft_of(row)
    check = checked(row, draft.content)
    steps, content = check.checklist, check.said
    refused = dict(kept.refused) if kept else {}
    faults: dict[str, list[str]] = {}
    for each in problems_of(kept, steps) if kept else ():
        faults.setdefault(part_named(each.field), []).append(each.text)

    def shown(part: str) -> tuple[Values, str, Sequence[str]]:
        values = values_in(content, part)
        return refused.get(part, values), shown_first(values), faults.get(part, ())

    phases, place = [], 0
    for number, phase in enumerate(steps.phases, start=1):
        asked = []
        for step in steps.steps_of(phase.key):
            place += 1
            values, first, told = shown(f"{STEP}{step.key}")
            asked.append(StepAsked(step, place, steps.said(step.text), steps.said(step.guidance), values, first, told))
        phases.append(PhaseAsked(phase.key, phase.name, number, asked))
    return Watch(
        check=check,
        where=access.tree.where(row.unit_id),
        phases=phases,
        said=_said(check, shown),
        saved=_saved(row, draft, is_now=kept is not None),
    )


def problems_of(kept: Kept, steps: Checklist) -> list[Problem]:
    """What to tell about what was just sent: what was refused, and what another device had changed."""
    found = list(kept.problems)
    for part, typed in kept.clashes.items():
        now = in_words(part, values_in({**observing.EMPTY, **kept.draft.content}, part), steps)
        name = f"mark-{part.removeprefix(STEP)}" if part.startswith(STEP) else part.removeprefix(SAID)
        text = f"Another device said ‘{now}’ meanwhile, this one ‘{in_words(part, typed, steps)}’. ‘{now}’ stands: "
        found.append(Problem(name, f"{text}change it here if that is wrong."))
    return found


def _saved(row: Observation, draft: ObservationDraft, *, is_now: bool) -> str:
    """When it was saved last; what just came is saved now, even if it changed nothing."""
    if draft.revision == 1 and not is_now:
        return "Nothing ticked yet"
    now = clock.now().astimezone(ZoneInfo(row.zone))
    at = now if is_now else draft.changed_at.astimezone(ZoneInfo(row.zone))
    return f"Saved {at:%H:%M}" if at.date() == now.date() else f"Saved {day_words(at.date())}, {at:%H:%M}"


def _said(check: Check, shown: Any) -> list[SaidAsked]:
    steps = check.checklist
    levels = list(LEVEL_WORDS.items())
    ratings = [(str(place), words) for place, words in enumerate(steps.ratings, start=1)]
    best = "Met as far as it went" if check.said["stopped"] else "Met"
    asked: list[tuple[str, str, str, Sequence[tuple[str, str]]]] = [
        ("rating", "Your overall impression", "A word beside the steps, never a sum of them.", ratings),
        ("given", "How closely was this practice supervised?", "", levels),
        ("recommended", "How closely would you supervise the next one?", "", levels),
        ("met", "What do you decide?", "", [("yes", best), ("no", "Not yet")]),
        ("feedback", "Feedback", "What went well, and one thing to work on. The learner reads this first.", ()),
        ("next", "What comes next", "For example one more with poor veins, or a session at the bench.", ()),
    ]
    found = []
    for name, label, hint, choices in asked:
        if name == "met" and check.best is None:
            continue
        (value,), was, faults = shown(f"{SAID}{name}")
        tiles = [Tile(f"id_{name}_{n}", name, key, words, key == value) for n, (key, words) in enumerate(choices)]
        found.append(SaidAsked(name, label, hint, value, was, faults, tiles, is_optional=not choices))
    return found


# --- beginning ---


@dataclass(frozen=True)
class Opening:
    """What somebody could begin on a unit on a day: with which checklist, and for which purposes."""

    version: Version | None
    steps: Checklist | None
    allowed: Mapping[str, Held | Refusal]
    procedure: str
    path: str
    day: str

    @property
    def critical(self) -> int:
        return sum(step.critical for step in self.steps.steps) if self.steps else 0

    @property
    def is_any(self) -> bool:
        return self.version is not None and any(self.allowed.values())

    @property
    def refused(self) -> list[tuple[str, str]]:
        """The purposes that are not open to whoever asks, with the reason."""
        return [(each, answer.text) for each, answer in self.allowed.items() if isinstance(answer, Refusal)]


def opening(access: Access, *, unit: int, procedure: int, name: str, on: date) -> Opening:
    """What this user could begin there on that day. A fixed number of queries."""
    facts, user = holdings([access.user.pk]), access.user.pk
    version = checklists_known().binding(procedure, access.tree.above(unit), on)
    return Opening(
        version=version,
        steps=parsed(version) if version else None,
        allowed={
            Purpose.LEARNING.value: facts.may_teach(user, unit=unit, on=on),
            Purpose.DECISION.value: facts.may_assess(user, unit=unit, procedure=procedure, on=on),
        },
        procedure=name,
        path=access.tree.path(unit),
        day=day_words(on),
    )


def open_with(access: Access, clinician: int) -> list[Observation]:
    """The observations of this person that this user began and has not signed."""
    return [each for each in observing.mine_open(access) if each.clinician_id == clinician]


def untouched(access: Access, clinician: int, begun: Mapping[str, Any]) -> Observation | None:
    """The same begun a moment ago and not ticked yet: what the Back button would begin once more."""
    return next(
        (
            row
            for row in open_with(access, clinician)
            if row.draft.revision == 1
            and row.second_of_id is None
            and begun["observed_at"] is None
            and (row.procedure_id, row.unit_id) == (begun["procedure"].pk, begun["unit"].pk)
            and (row.purpose, row.setting) == (begun["purpose"], begun["setting"])
            and clock.now() - row.observed_at < RECENTLY
        ),
        None,
    )


def usual_unit(access: Access, homes: Sequence[int]) -> int | None:
    """Where an observation of somebody placed there most likely happens: the first unit where this user supervises."""
    here = access.units_for(Right.SUPERVISE)
    return next((each for each in homes if each in here), None)
