"""The check page before the signature: every answer as it will be signed, each with the way to change it."""

from collections.abc import Sequence
from dataclasses import dataclass

from audits.checklist import LEVEL_WORDS, MARK_WORDS, PURPOSE_WORDS, SETTING_WORDS
from audits.models import Observation
from audits.observation_words import NOT_PROVIDED, setting_words, verdict_words
from audits.observing import Check
from audits.ticks_sent import SAID, STEP
from people.access import Access

MOST = 6


@dataclass(frozen=True, slots=True)
class Line:
    """A question with its answer. `at` is where on the page of ticks it is changed, '' where it can't be."""

    label: str
    value: str
    at: str = ""
    more: Sequence[str] = ()
    is_critical: bool = False
    is_missed: bool = False


@dataclass(frozen=True, slots=True)
class Lacking:
    """What is still to be marked or said: where, about what, and what to do."""

    at: str
    about: str
    text: str


@dataclass(frozen=True)
class Checking:
    """Everything on the check page."""

    check: Check
    begun: Sequence[Line]
    phases: Sequence[tuple[str, Sequence[Line]]]
    said: Sequence[Line]
    lacking: Sequence[Lacking]
    verdict: str
    setting: str

    @property
    def row(self) -> Observation:
        return self.check.observation

    @property
    def is_ready(self) -> bool:
        return not self.lacking

    @property
    def lacking_first(self) -> Sequence[Lacking]:
        """As many as are read: what is said of the whole comes after the steps, and is never left out."""
        about = [each for each in self.lacking if each.about]
        return [*about[:MOST], *(each for each in self.lacking if not each.about)]

    @property
    def lacking_more(self) -> int:
        return len(self.lacking) - len(self.lacking_first)


def checking(access: Access, check: Check) -> Checking:
    row, steps = check.observation, check.checklist
    return Checking(
        check=check,
        begun=(
            Line("Who", row.clinician.name),
            Line("Procedure", row.procedure.name),
            Line("On", access.tree.where(row.unit_id)),
            Line("Where", SETTING_WORDS[row.setting]),
            Line("What for", PURPOSE_WORDS[row.purpose]),
            Line("Checklist", str(row.checklist)),
        ),
        phases=[(phase.name, [_step(check, step.key) for step in steps.steps_of(phase.key)]) for phase in steps.phases],
        said=_said(check),
        lacking=[_lacking(check, each.path, each.message) for each in check.faults],
        verdict=verdict_words(check),
        setting=setting_words(row.setting),
    )


def _step(check: Check, key: str) -> Line:
    step, seen = check.checklist.step(key), check.marks.get(key)
    return Line(
        label=check.checklist.said(step.text),
        value=MARK_WORDS[seen.mark] if seen else NOT_PROVIDED,
        at=f"{STEP}{key}",
        more=[each for each in (seen.reason, seen.note) if each] if seen else (),
        is_critical=step.critical,
        is_missed=key in check.missed or key in check.not_reached,
    )


def _said(check: Check) -> list[Line]:
    said, ratings = check.said, check.checklist.ratings
    lines = [
        Line("Stopped at a missed vein", "Yes" if said["stopped"] else "No", "stopped"),
        Line("Overall impression", ratings[said["rating"] - 1] if said["rating"] else "", f"{SAID}rating"),
        Line("How closely supervised", LEVEL_WORDS.get(said["given"], ""), f"{SAID}given"),
        Line("How closely the next one", LEVEL_WORDS.get(said["recommended"], ""), f"{SAID}recommended"),
    ]
    if check.best is not None:
        decided = "" if said["met"] is None else "Not yet" if not said["met"] else _met(said["stopped"])
        lines.append(Line("Your decision", decided, f"{SAID}met"))
    lines.append(Line("Feedback", said["feedback"], f"{SAID}feedback"))
    lines.append(Line("What comes next", said["next"], f"{SAID}next"))
    return [Line(each.label, each.value or NOT_PROVIDED, each.at) for each in lines]


def _met(stopped: bool) -> str:
    return "Met as far as it went" if stopped else "Met"


def _lacking(check: Check, path: str, text: str) -> Lacking:
    known = {step.key: step for step in check.checklist.steps}
    if path in known:
        return Lacking(f"{STEP}{path}", check.checklist.said(known[path].text), text)
    return Lacking("stopped" if path == "stopped" else f"{SAID}{path}", "", text)
