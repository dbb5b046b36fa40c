"""Stories that a record of insertions tells: holders whose figures must be seen, and some whose figures mislead."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

import numpy as np

from audits.calendar import add_months
from config.demo import attempts, shifts
from config.demo.doors import Doors
from config.demo.groundplan import AREAS
from config.demo.plan import FIRST_REVIEW, Plan
from config.demo.stories import STORIES, Story

USUAL = "YYYYNYYYYYYYNYYYYYYN"
FALLING = "YNNYYNYNYN"
SAID = {
    "attempts_limit": ("talked", "Nobody else was free at that hour; next time the access team is called after two."),
    "serious_event": ("refresh", "Looked at together with what was reported; an hour in the skills room is arranged."),
}
"""Rule -> what came of a question, and why."""


def tell(plan: Plan) -> None:
    _falling(plan, STORIES["falling"])
    _quiet(plan, STORIES["quiet"])
    _difficult(plan, STORIES["difficult"])
    _run(plan, STORIES["run"])
    _limit(plan, STORIES["limit"])
    _event(plan, STORIES["event"])
    for key, days in (("lapsed", -31), ("grace", -10), ("due", 40)):
        _by_calendar(plan, STORIES[key], plan.today + timedelta(days=days))
    _joined(plan, STORIES["joined"])
    _worked_through(plan)


def holder(
    plan: Plan, story: Story, *, expires_on: date | None = None, entered_on: date | None = None, **more: str
) -> str:
    """The person of a story with an award; without a day it lasts for a good while yet."""
    who = plan.member(story.unit, number=story.number, name=story.name, opened=entered_on, **more)
    # From before the register, for three years: so that nothing about renewal gets into the story.
    months = 24 if expires_on else 33
    plan.holds(who, story.procedure, expires_on=expires_on or add_months(plan.today, 7), months=months,
               entered_on=entered_on)  # fmt: skip
    return who


def series(
    plan: Plan, rng: np.random.Generator, who: str, results: Sequence[str], *, first: date, until: date
) -> list[datetime]:
    """One insertion for each result, Y or N for the first attempt, spread over these days in order.

    They stand in the unit's sheet, if it keeps one; from the last days, of which no sheet has come yet, on the form.
    """
    area = AREAS[plan.members[who].unit]
    times = shifts.spread(rng, area.hours, len(results), first=first, until=until)
    for at, result in zip(times, results, strict=True):
        is_known = area.by_sheet and at.date() < plan.last_sheet
        plan.inserts(rng, who, at, attempts.made(rng, "ADULT", works=result == "Y"), from_sheet=is_known)
    return times


def usually(plan: Plan, who: str, count: int, *, first: date, until: date) -> None:
    """A sound record, with a failure now and then and never two in a row."""
    series(plan, plan.rng("usual", who), who, (USUAL * 9)[:count], first=first, until=until)


def _falling(plan: Plan, story: Story) -> None:
    who, rng = holder(plan, story), plan.rng(story.number)
    series(plan, rng, who, "YYYYYYYNYY" * 3, first=plan.ago(690), until=plan.ago(370))
    series(plan, rng, who, FALLING * 4, first=plan.ago(340), until=plan.ago(33))


def _quiet(plan: Plan, story: Story) -> None:
    usually(plan, holder(plan, story), 26, first=plan.ago(620), until=plan.ago(206))


def _difficult(plan: Plan, story: Story) -> None:
    """Two in three were called difficult beforehand or had been tried by others; with the rest hardly one fails."""
    who, rng = holder(plan, story), plan.rng(story.number)
    usually(plan, who, 30, first=plan.ago(700), until=plan.ago(370))
    hard, easy = list("YNYNYYNYNYN" * 4), list("YYYYYYYYN" * 2)
    cases = [(result, True) for result in hard] + [(result, False) for result in easy]
    order = rng.permutation(len(cases))
    times = shifts.spread(rng, "emergency", len(cases), first=plan.ago(355), until=plan.ago(33))
    for at, place in zip(times, order, strict=True):
        result, is_hard = cases[place]
        others = int(rng.integers(1, 4)) if is_hard and rng.random() < 0.5 else 0
        plan.inserts(
            rng, who, at, attempts.made(rng, "ADULT", works=result == "Y", punctures=None if others < 3 else 1),
            difficult="before" if is_hard else "", others_before=others,
        )  # fmt: skip
    plan.holds(who, "ADULT-US", expires_on=add_months(plan.today, 9), months=30)
    for at in shifts.spread(rng, "emergency", 18, first=plan.ago(500), until=plan.today):
        made = attempts.made(rng, "ADULT-US", works=bool(rng.random() < 0.9))
        plan.inserts(rng, who, at, made, procedure="ADULT-US", difficult="before")


def _run(plan: Plan, story: Story) -> None:
    who = holder(plan, story)
    usually(plan, who, 38, first=plan.ago(640), until=plan.ago(30))
    series(plan, plan.rng(story.number), who, "NNNNN", first=plan.ago(27), until=plan.today)


def _limit(plan: Plan, story: Story) -> None:
    who, rng = holder(plan, story), plan.rng(story.number)
    usually(plan, who, 34, first=plan.ago(680), until=plan.today)
    at = shifts.times_of(rng, "ward", plan.ago(20), 1)[0]
    made = attempts.made(rng, "ADULT", works=False, punctures=3)
    comment = "Two sites, then the hand. Should have called sooner."
    plan.inserts(rng, who, at, made, help_called="senior", comment=comment)


def _event(plan: Plan, story: Story) -> None:
    who, rng = holder(plan, story), plan.rng(story.number)
    usually(plan, who, 40, first=plan.ago(690), until=plan.today)
    at = shifts.times_of(rng, "emergency", plan.ago(70), 1)[0]
    comment = "Bright pulsing blood, taken out at once, pressed for ten minutes, hand warm and pink afterwards."
    plan.inserts(rng, who, at, attempts.made(rng, "ADULT", works=False, punctures=1), events=("arterial_puncture",),
                 help_called="senior", comment=comment)  # fmt: skip

    def reply(doors: Doors) -> None:
        text = "I felt for a pulse and went too deep at the elbow crease. I now look for the forearm first."
        doors.reply(who, story.procedure, "serious_event", text)

    def close(doors: Doors) -> None:
        reason = "Talked through with the clinician; the patient came to no lasting harm, and the site is understood."
        doors.close(who, story.procedure, "serious_event", "talked", reason)

    plan.after_review += [
        (datetime.combine(plan.ago(FIRST_REVIEW - 2), time(10, 0)), reply),
        (datetime.combine(plan.ago(FIRST_REVIEW - 6), time(16, 0)), close),
    ]


def _worked_through(plan: Plan) -> None:
    """What the first review asked of others about single entries is talked over within days, but for one."""

    def work_through(doors: Doors) -> None:
        doors.work_through(SAID, but={story.number for story in STORIES.values()}, leave=1)

    plan.after_review.append((datetime.combine(plan.ago(FIRST_REVIEW - 5), time(16, 30)), work_through))


def _by_calendar(plan: Plan, story: Story, expires_on: date) -> None:
    """An award that ends on a day near today. Its certificate came in when there was one to bring."""
    entered_on = max(plan.start, add_months(expires_on, -24) + timedelta(days=5))
    who = holder(plan, story, expires_on=expires_on, entered_on=entered_on)
    usually(plan, who, 30, first=entered_on + timedelta(days=3), until=plan.today)
    if story is STORIES["lapsed"]:
        plan.appoint_aside(who, "supervisor", story.unit, entered_on)


def _joined(plan: Plan, story: Story) -> None:
    """Two clinicians on one patient: a colleague's did not work, this one joined the occasion by its code."""
    who, rng = holder(plan, story), plan.rng(story.number)
    plan.appoint(who, "supervisor", story.unit)
    usually(plan, who, 34, first=plan.ago(700), until=plan.ago(12))
    at = shifts.times_of(rng, "ward", plan.ago(9), 1)[0].replace(hour=11)
    first = plan.inserts(rng, STORIES["limit"].number, at, attempts.made(rng, "ADULT", works=False, punctures=2),
                         help_called="colleague")  # fmt: skip
    assert first is not None
    later = at + timedelta(minutes=25)
    plan.inserts(rng, who, later, attempts.made(rng, "ADULT", works=True), joins=first.uuid,
                 logged=first.logged + timedelta(minutes=70))  # fmt: skip
