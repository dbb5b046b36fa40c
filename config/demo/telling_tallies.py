"""Shift tallies: a unit that keeps no more, and a radiographer who logs every insertion in the fortnights alone."""

from datetime import date, datetime, time, timedelta

from audits.calendar import add_months
from audits.fortnights import fortnight_on, fortnights
from audits.tallies import NewTally, note_tally
from config.demo import attempts
from config.demo.doors import Doors
from config.demo.plan import Plan
from config.demo.stories import STORIES
from people.settings import set_setting

UNIT = "renal"
BESIDE = (("003801", "Ambrose Tidewell"), ("003808", "Juniper Castellane"))  # who keeps tallies there too
BEGINS = 15  # day of the quarter
EVENING, NEXT_DAY = time(20, 40), time(9, 20)


def tell(plan: Plan) -> None:
    plan.turn(plan.start, lambda doors: _set_basis(doors, plan.start))
    first = STORIES["tallying"]
    keeping = [plan.member(UNIT, number=key, name=name) for key, name in ((first.number, first.name), *BESIDE)]
    for who in keeping:
        plan.holds(who, expires_on=add_months(plan.today, 8), months=30)
    for place, who in enumerate(keeping):
        for ago in range(3 + place, 300, 7):
            _tally(plan, who, plan.ago(ago), (2, 3, 1, 0, 4)[(ago + place) % 5])
    # One corrected the next morning, one noted by the educator for somebody away, and noted late.
    plan.turn(plan.ago(2), lambda doors: _note(doors, keeping[0], plan.ago(3), 5), NEXT_DAY)
    plan.turn(plan.ago(1), lambda doors: _note(doors, keeping[1], plan.ago(12), 2, on_behalf=True), NEXT_DAY)
    _in_fortnights(plan)


def _in_fortnights(plan: Plan) -> None:
    story = STORIES["fortnights"]
    who = plan.member(story.unit, number=story.number, name=story.name, profession="radiographer")
    plan.holds(who, expires_on=add_months(plan.today, 7), months=30)
    rng = plan.rng("fortnights", who)
    for each in fortnights(plan.ago(400), plan.ago(1), begins=BEGINS):
        for later in range(1, 13, 3):
            at = datetime.combine(each.first + timedelta(days=later), time(11, 5))
            if at.date() < plan.today:
                plan.inserts(rng, who, at, attempts.at_rate(rng, "ADULT", 0.9), procedure="ADULT")
    for ago in range(2, 200, 8):
        day = plan.ago(ago)
        if fortnight_on(day, begins=BEGINS) is None:
            _tally(plan, who, day, 1 + ago % 3)


def _set_basis(doors: Doors, first: date) -> None:
    for unit, name, value in ((UNIT, "logging_basis", "tally"), ("imaging", "fortnight_begins", str(BEGINS))):
        set_setting(actor=doors.first, unit=doors.units[unit], name=name, value=value, from_day=first)


def _tally(plan: Plan, who: str, day: date, insertions: int) -> None:
    plan.turn(day, lambda doors: _note(doors, who, day, insertions), EVENING)


def _note(doors: Doors, who: str, day: date, insertions: int, *, on_behalf: bool = False) -> None:
    unit, clinician = doors.home(who), doors.clinicians[who]
    new = NewTally(
        clinician=clinician,
        procedure=doors.procedures["ADULT"],
        unit=doors.units[unit],
        on=day,
        insertions=insertions,
    )
    actor = doors.educator(unit) if on_behalf else doors.users[who]
    note_tally(actor=actor, new=new)
