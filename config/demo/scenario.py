"""The plan of two years: who works where, the steady clinicians, the trainees who came through, and the stories."""

from datetime import date, datetime, time, timedelta

import numpy as np

from audits.calendar import add_months
from config.demo import (
    attempts,
    names,
    shifts,
    telling_awards,
    telling_cohorts,
    telling_desk,
    telling_disputes,
    telling_documents,
    telling_learning,
    telling_limits,
    telling_observed,
    telling_papers,
    telling_people,
    telling_planning,
    telling_records,
    telling_reviews,
    telling_tallies,
)
from config.demo.doors import Doors
from config.demo.groundplan import AREAS, Area
from config.demo.leads import LEADS
from config.demo.plan import Plan, Steady

SEED = 20260412
DIFFICULT_IF = {True: 0.08, False: 0.35}  # so that difficulty goes with failing, and takes nothing from the true rate


def scenario(today: date, *, seed: int = SEED) -> Plan:
    """The plan that ends on the day before `today`; the same for the same day and seed."""
    plan = Plan(today=today, seed=seed)
    plan.names = names.invented(plan.rng("names"))
    for lead in LEADS:
        for role, unit in lead.roles:
            plan.appoint(lead.email, role, unit)
    for area in AREAS.values():
        _holders(plan, area)
    _trainees(plan)
    _others(plan)
    for telling in (
        telling_records,
        telling_learning,
        telling_people,
        telling_observed,
        telling_cohorts,
        telling_limits,
        telling_papers,
        telling_planning,
        telling_reviews,
        telling_tallies,
        telling_awards,
        telling_disputes,
        telling_documents,
        telling_desk,
    ):
        telling.tell(plan)
    return plan


def _holders(plan: Plan, area: Area) -> None:
    """The steady holders of a unit; the first two supervise there."""
    for place in range(area.holders):
        rng = plan.rng("holder", area.key, str(place))
        joined_later = place == 3 and area.holders > 4
        who = plan.member(
            area.key,
            profession=area.profession if place != 1 else "nurse",
            opened=plan.start + timedelta(days=int(rng.integers(60, 200))) if joined_later else None,
            kind="bank" if place == 4 else "employed",
        )
        since = plan.members[who].opened
        expires_on = plan.today - timedelta(days=int(rng.integers(95, 290)))
        plan.holds(who, area.procedure, expires_on=expires_on, entered_on=since)
        _renewals(plan, who, area.procedure, expires_on, rng)
        if place < 2:
            plan.appoint(who, "supervisor", area.key)
        rate = float(rng.uniform(*area.rates))
        steadily(plan, rng, who, area, since=since + timedelta(days=1), rate=rate)


def _renewals(plan: Plan, who: str, procedure: str, expires_on: date, rng: np.random.Generator) -> None:
    """Renewed in the weeks before the award ends, or at the next try."""
    first = expires_on - timedelta(days=int(rng.integers(10, 60)))

    def renew(doors: Doors) -> None:
        doors.renew(who, procedure, again_after=timedelta(days=21))

    plan.turn(first, renew, time(15, int(rng.integers(0, 60))))


def steadily(plan: Plan, rng: np.random.Generator, who: str, area: Area, *, since: date, rate: float) -> None:
    """Insertions at one true rate from a day on."""
    plan.steady.append(Steady(who=who, procedure=area.procedure, true_rate=rate))
    yearly = area.yearly * float(rng.uniform(0.75, 1.3))
    for at in _without_leave(rng, shifts.over(rng, area.hours, yearly=yearly, first=since, until=plan.today)):
        made = attempts.at_rate(rng, area.procedure, rate)
        works = made[0].result == "working"
        plan.inserts(
            rng,
            who,
            at,
            made,
            procedure=area.procedure,
            from_sheet=area.by_sheet,
            events=attempts.event(rng),
            difficult=str(rng.choice(("before", "after"))) if rng.random() < DIFFICULT_IF[works] else "",
            others_before=int(rng.integers(1, 3)) if rng.random() < 0.03 else 0,
        )


def _without_leave(rng: np.random.Generator, times: list[datetime]) -> list[datetime]:
    """Nobody works in four weeks of holiday each year."""
    away = set()
    for year in {each.year for each in times}:
        for _ in range(2):
            first = date(year, 1, 1) + timedelta(days=int(rng.integers(0, 350)))
            away |= {first + timedelta(days=each) for each in range(14)}
    return [each for each in times if each.date() not in away]


def _trainees(plan: Plan) -> None:
    """Those who came through and were awarded, month after month, and those who are on their way."""
    areas = [area for area in AREAS.values() if area.key not in ("imaging", "theatre", "renal")]
    for place in range(11):
        area = areas[place % len(areas)]
        rng = plan.rng("trainee", str(place))
        begun = plan.start + timedelta(days=20 + 42 * place)
        who = plan.member(area.key, profession=area.profession, opened=begun - timedelta(days=6))
        finished = telling_learning.learns(plan, rng, who, area.procedure, begun=begun, count=13)
        awarded = finished + timedelta(days=9)
        telling_learning.awarded(plan, who, area.procedure, awarded)
        steadily(plan, rng, who, area, since=awarded + timedelta(days=1), rate=float(rng.uniform(*area.rates)))
    for place in range(9):
        area = areas[(3 * place + 1) % len(areas)]
        rng = plan.rng("learner", str(place))
        begun = plan.ago(24 + 9 * place)
        who = plan.member(area.key, profession=area.profession, opened=begun - timedelta(days=9))
        telling_learning.learns(plan, rng, who, area.procedure, begun=begun, count=2 + place % 7)


def _others(plan: Plan) -> None:
    """Who works here and does not insert: newcomers not enrolled yet, and some who left."""
    for place, unit in enumerate(("tern", "egret", "heron", "harbour-emergency", "curlew")):
        plan.member(unit, opened=plan.ago(20 + 3 * place), account=place < 2)
    for place, unit in enumerate(("avocet", "maternity", "plover")):
        area = AREAS[unit]
        left = plan.ago(60 + 70 * place)
        who = plan.member(unit, profession=area.profession, left=left, account=False)
        plan.holds(who, area.procedure, expires_on=add_months(plan.today, 4 + place))
