"""Stories of observed practice: watched to learn, for a decision, not yet, a vein missed, disputed, rated twice."""

from collections.abc import Mapping
from datetime import date, time, timedelta

import numpy as np

from audits.example_checklist import STEPS
from config.demo.doors import Doors
from config.demo.groundplan import SALTMARSH, hospital
from config.demo.plan import Plan
from config.demo.stories import STORIES, Story
from config.demo.telling_learning import learns

Ticks = Mapping[str, str]
# How often a learner misses a step: what a cohort finds hard, the rest hardly ever.
HARD = {"disinfect": 0.16, "no_touch": 0.14, "choose_site": 0.12, "release": 0.1, "history": 0.18, "document": 0.08}
SELDOM = 0.02
PRAISE = "Calm with the patient, everything laid out beforehand."
WORK_ON = "Give the skin time to dry before you go in."


def tell(plan: Plan) -> None:
    for who in ("joined", "asked_supervisor"):
        plan.appoint_aside(STORIES[who].number, "assessor", SALTMARSH, plan.start)
    _learner(plan, STORIES["close"])
    _not_yet(plan, STORIES["not_yet"])
    _disputed(plan, STORIES["disputed"])
    _rated_twice(plan, STORIES["ready"])
    _others(plan)


def ticks(rng: np.random.Generator, *, missed: Ticks | None = None, stopped: bool = False) -> dict[str, str]:
    """A mark for each step of the example: mostly met, the hard ones now and then not, those named as named."""
    found = {}
    past_the_vein = False
    for step in STEPS:
        chance = HARD.get(step.key, SELDOM)
        draw = float(rng.random())
        mark = "met" if draw >= chance else ("prompted" if draw < chance / 2 else "not_met")
        if step.if_arises and mark == "met" and rng.random() < 0.6:
            mark = "did_not_arise"
        if stopped and past_the_vein:
            mark = "not_reached"
        past_the_vein = past_the_vein or step.key == "enter"
        found[step.key] = (missed or {}).get(step.key, mark)
    return found


def all_met(rng: np.random.Generator) -> dict[str, str]:
    """Every step met; what need not arise, sometimes did not."""
    return {step.key: "did_not_arise" if step.if_arises and rng.random() < 0.6 else "met" for step in STEPS}


def _learner(plan: Plan, story: Story) -> None:
    """Watched twice to learn, then twice for a decision: one stopped at a missed vein, one met."""
    rng, by = plan.rng(story.number, "observed"), STORIES["joined"].number
    _watch(plan, story.number, by, plan.ago(66), ticks(rng), purpose="learning", setting="simulation")
    _watch(plan, story.number, by, plan.ago(52), ticks(rng, missed={"disinfect": "prompted"}), purpose="learning")
    stopped = {**all_met(rng), **{step.key: "not_reached" for step in STEPS if step.phase in ("confirm", "after")}}
    _watch(plan, story.number, by, plan.ago(20), {**stopped, "release": "met"}, stopped=True)
    _watch(plan, story.number, by, plan.ago(6), all_met(rng), read=False)


def _not_yet(plan: Plan, story: Story) -> None:
    """Nearly everything met, and the site touched again after it had been cleaned."""
    who = _trainee(plan, story, days=48)
    rng, by = plan.rng(story.number, "observed"), STORIES["joined"].number
    _watch(plan, who, by, plan.ago(9), {**all_met(rng), "no_touch": "not_met"}, feedback="Clean the site again once "
           "you have felt for the vein, or keep your finger off it. All the rest was sound.")  # fmt: skip


def _disputed(plan: Plan, story: Story) -> None:
    """Two people remember differently whether there was a prompt."""
    who = _trainee(plan, story, days=55)
    rng, by = plan.rng(story.number, "observed"), STORIES["asked_supervisor"].number
    day = plan.ago(7)
    _watch(plan, who, by, day, {**all_met(rng), "release": "prompted"}, read=False)

    def dispute(doors: Doors) -> None:
        doors.dispute_observation(who, "I had my hand on the tourniquet already when it was said.")

    plan.turn(day + timedelta(days=2), dispute, time(18, 5))


def _rated_twice(plan: Plan, story: Story) -> None:
    rng = plan.rng(story.number, "observed")
    for days in (40, 12):
        marks = all_met(rng)
        _watch(plan, story.number, STORIES["asked_supervisor"].number, plan.ago(days), marks,
               second=STORIES["joined"].number, second_marks=_nearly(rng, marks))  # fmt: skip


def _others(plan: Plan) -> None:
    """Whoever learns on the wards of the first hospital is watched every few weeks; some of it is scored twice."""
    raters = (STORIES["joined"].number, STORIES["asked_supervisor"].number)
    for place, (who, begun) in enumerate(sorted(plan.learning.items())):
        member = plan.members[who]
        if hospital(member.unit) != SALTMARSH or member.name in {each.name for each in STORIES.values()}:
            continue
        rng = plan.rng(who, "observed")
        for number, days in enumerate((10, 26, 44)):
            day = begun + timedelta(days=days)
            marks = all_met(rng) if number == 2 else ticks(rng)
            decides = number > 0
            by, other = raters[(place + number) % 2], raters[(place + number + 1) % 2]
            twice = (place + number) % 2 == 0
            _watch(plan, who, by, day, marks, purpose="decision" if decides else "learning",
                   setting="patient" if number else "simulation", second=other if twice and decides else "",
                   second_marks=_nearly(rng, marks))  # fmt: skip


def _nearly(rng: np.random.Generator, marks: Ticks) -> dict[str, str]:
    """What another saw: the same, but for a step here and there."""
    other = {"met": "prompted", "prompted": "met", "not_met": "prompted"}
    return {key: other.get(mark, mark) if rng.random() < 0.06 else mark for key, mark in marks.items()}


def _trainee(plan: Plan, story: Story, *, days: int) -> str:
    begun = plan.ago(days)
    who = plan.member(story.unit, number=story.number, name=story.name, opened=begun - timedelta(days=6))
    learns(plan, plan.rng(story.number), who, story.procedure, begun=begun, count=6)
    return who


def _watch(
    plan: Plan,
    who: str,
    by: str,
    day: date,
    marks: Ticks,
    *,
    purpose: str = "decision",
    setting: str = "patient",
    stopped: bool = False,
    feedback: str = "",
    read: bool = True,
    second: str = "",
    second_marks: Ticks | None = None,
) -> None:
    """Watched on a day, signed at once; the learner reads it in the evening, the second rater scores it in between."""
    rng = plan.rng(who, "watched", day.isoformat())
    at = time(int(rng.integers(9, 16)), int(rng.integers(0, 60)))

    def watch(doors: Doors) -> None:
        doors.observe(who, by, purpose=purpose, setting=setting, marks=marks, stopped=stopped,
                      feedback=feedback or f"{PRAISE} {WORK_ON}", second=second)  # fmt: skip

    plan.turn(day, watch, at)
    if second:
        plan.turn(day, lambda doors: doors.rate_second(who, second, second_marks or marks), time(17, 10))
    if read:
        plan.turn(day, lambda doors: doors.acknowledge(who), time(19, 30))
