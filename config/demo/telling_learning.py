"""Stories of learning: how trainees come through, what supervisors answer, and what hangs."""

from datetime import date, datetime, time, timedelta

import numpy as np

from config.demo import attempts, shifts
from config.demo.doors import Doors
from config.demo.groundplan import AREAS
from config.demo.plan import Insertion, Plan
from config.demo.stories import STORIES, Story
from config.demo.telling_records import holder, usually

FIRST_INSERTION = 5  # days after enrolling, once the terms of entry are met


def tell(plan: Plan) -> None:
    _close(plan, STORIES["close"])
    _plain(plan, STORIES["ready"], days=85, count=11)
    _provisional(plan, STORIES["provisional"])
    _in_question(plan, STORIES["ineligible"], STORIES["in_question"])
    _asked(plan, STORIES["asked"], STORIES["asked_supervisor"])
    _plain(plan, STORIES["student"], days=38, count=4, kind="student", profession="nurse_student",
           left=plan.today + timedelta(days=32))  # fmt: skip
    _mended(plan, STORIES["mended"])


def learns(
    plan: Plan, rng: np.random.Generator, who: str, procedure: str, *, begun: date, count: int, every: int = 5
) -> date:
    """Enrolled, entry terms met, then so many supervised insertions, one in about so many days; when all are signed."""
    hours = AREAS[plan.members[who].unit].hours
    enrols(plan, who, procedure, begun)
    day = begun + timedelta(days=FIRST_INSERTION)
    supervisors = plan.supervisors[plan.members[who].unit]
    for place in range(count):
        if hours == "lists" and day.weekday() > 4:
            day += timedelta(days=7 - day.weekday())
        at = shifts.times_of(rng, hours, day, 1)[0]
        # About two in five at first, four in five at the end.
        works = bool(rng.random() < 0.85 - 0.42 * np.exp(-place / 6))
        # In turn, so that nobody learns from one alone.
        plan.supervised(rng, who, at, attempts.made(rng, procedure, works=works, punctures=None if works else 1),
                        procedure=procedure, supervisor=supervisors[place % len(supervisors)])  # fmt: skip
        day += timedelta(days=int(rng.integers(every - 2, every + 2)))
    return day + timedelta(days=2)


def enrols(plan: Plan, who: str, procedure: str, begun: date) -> None:
    """Enrolled on a day; knowledge test and simulation by the second day after."""
    if procedure == "ADULT":
        plan.learning[who] = begun

    def enrol(doors: Doors) -> None:
        doors.enrol(who, procedure)

    def complete(doors: Doors) -> None:
        doors.complete(who, procedure, "knowledge", begun + timedelta(days=1))
        doors.complete(who, procedure, "simulation", begun + timedelta(days=2))

    plan.turn(begun, enrol, time(9, 5))
    plan.turn(begun + timedelta(days=2), complete, time(16, 40))


def awarded(plan: Plan, who: str, procedure: str, day: date) -> None:
    plan.turn(day, lambda doors: doors.award(who, procedure), time(10, 20))


def _plain(plan: Plan, story: Story, *, days: int, count: int, every: int = 5, **more: object) -> str:
    begun = plan.ago(days)
    who = plan.member(story.unit, number=story.number, name=story.name, opened=begun - timedelta(days=8), **more)
    learns(plan, plan.rng(story.number), who, story.procedure, begun=begun, count=count, every=every)
    return who


def _close(plan: Plan, story: Story) -> None:
    """Nine that count, and the tenth waits for the supervisor since yesterday."""
    who, rng = _plain(plan, story, days=78, count=9), plan.rng(story.number, "fresh")
    at = datetime.combine(plan.ago(1), time(9, 40))
    plan.supervised(rng, who, at, attempts.made(rng, "ADULT", works=True), answer="",
                    supervisor=STORIES["joined"].number)  # fmt: skip


def _provisional(plan: Plan, story: Story) -> None:
    who = _plain(plan, story, days=130, count=12)
    awarded(plan, who, story.procedure, plan.ago(49))
    usually(plan, who, 9, first=plan.ago(47), until=plan.today)


def _in_question(plan: Plan, supervisor: Story, trainee: Story) -> None:
    """The appointment had ended weeks before anybody wrote it down; what was signed since is in question."""
    by = holder(plan, supervisor)
    plan.appoint_aside(by, "supervisor", supervisor.unit, plan.start)
    usually(plan, by, 40, first=plan.ago(690), until=plan.today)
    begun = plan.ago(60)
    who = plan.member(trainee.unit, number=trainee.number, name=trainee.name, opened=begun - timedelta(days=5))
    enrols(plan, who, "ADULT", begun)
    rng = plan.rng(trainee.number)
    for place, days in enumerate((54, 50, 46, 41, 36, 31, 27, 22)):
        at = datetime.combine(_weekday(plan.ago(days)), time(8 + place, 10))
        plan.supervised(rng, who, at, attempts.made(rng, "ADULT", works=place > 2), supervisor=by)
    ended = plan.ago(48)
    plan.turn(plan.ago(8), lambda doors: doors.end_appointment(by, "supervisor", supervisor.unit, ended), time(11, 0))


def _asked(plan: Plan, trainee: Story, supervisor: Story) -> None:
    """Thirty of thirty working first time, logged ten in an evening, all signed by one supervisor ten at a time."""
    by = holder(plan, supervisor)
    plan.appoint_aside(by, "supervisor", supervisor.unit, plan.start)
    usually(plan, by, 36, first=plan.ago(680), until=plan.today)
    begun = plan.ago(96)
    who = plan.member(trainee.unit, number=trainee.number, name=trainee.name, opened=begun - timedelta(days=5))
    enrols(plan, who, "ADULT", begun)
    rng = plan.rng(trainee.number)
    for evening in (74, 46, 18):
        logged = datetime.combine(plan.ago(evening), time(21, 30))
        days = [plan.ago(evening + 1 + place // 2) for place in range(10)]
        for place, day in enumerate(reversed(days)):
            at = datetime.combine(day, time(9 + 5 * (place % 2), int(rng.integers(0, 60))))
            plan.supervised(rng, who, at, attempts.made(rng, "ADULT", works=True), supervisor=by,
                            logged=logged + timedelta(minutes=place))  # fmt: skip


def _mended(plan: Plan, story: Story) -> None:
    begun = plan.ago(64)
    who = plan.member(story.unit, number=story.number, name=story.name, opened=begun - timedelta(days=5))
    enrols(plan, who, "ADULT", begun)
    rng = plan.rng(story.number)

    def entry(days: int, works: bool = True, **more: object) -> Insertion:
        at = datetime.combine(plan.ago(days), time(int(rng.integers(8, 18)), int(rng.integers(0, 60))))
        made = plan.supervised(rng, who, at, attempts.made(rng, "ADULT", works=works, punctures=None if works else 1),
                               **more)  # fmt: skip
        assert made is not None
        return made

    for days, works in ((58, False), (55, True), (51, False)):
        entry(days, works)
    late = datetime.combine(plan.ago(34), time(17, 20))
    entry(46, logged=late, comment="Found in my notebook, entered late.")
    entry(40, answer="sent_back", note="The site says forearm, you told me the hand. Please check.")
    entry(37, False, answer="not_me", note="I was on leave that week; ask who was in charge.")
    corrected, withdrawn, disputed = entry(30), entry(26), entry(23, False)
    entry(2, answer="")
    # Whoever is named here lost the right to sign it before the day.
    entry(3, answer="", unit="avocet", supervisor=STORIES["lapsed"].number)

    plan.turn(plan.ago(15), lambda doors: doors.withdraw(withdrawn.uuid, "Logged twice: the same patient."))
    plan.turn(plan.ago(13), lambda doors: doors.agree(withdrawn.uuid), time(15, 0))
    reason = "The first puncture did not work; I had counted from the second."
    plan.turn(plan.ago(4), lambda doors: doors.correct_to_failed(corrected.uuid, reason))
    said = "It ran well and was used for two days; the entry was ticked wrongly."
    plan.turn(plan.ago(6), lambda doors: doors.dispute(disputed.uuid, "result", said))


def _weekday(day: date) -> date:
    return day - timedelta(days=max(0, day.weekday() - 4))
