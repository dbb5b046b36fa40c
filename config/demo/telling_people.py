"""Stories of who is where and as what: agency, students, by role, an emergency, a move, long leave."""

from datetime import date, datetime, time, timedelta

from audits.calendar import add_months
from config.demo import attempts, local_rules, shifts
from config.demo.doors import Doors
from config.demo.groundplan import HARBOUR, SALTMARSH
from config.demo.plan import Certificate, Plan, awarded_for
from config.demo.stories import STORIES, Story
from config.demo.telling_records import holder, usually


def tell(plan: Plan) -> None:
    _agency(plan, STORIES["agency"])
    _student_employed(plan, STORIES["student_employed"])
    _by_role(plan, STORIES["by_role"])
    _doctors(plan, STORIES["by_role_person"], STORIES["locum"])
    _emergency(plan, STORIES["emergency"])
    _moved(plan, STORIES["moved"])
    _leave(plan, STORIES["leave"])
    _left(plan, STORIES["left"])
    _waiting(plan)


def _agency(plan: Plan, story: Story) -> None:
    who = holder(plan, story, entered_on=plan.ago(120), kind="agency")
    usually(plan, who, 22, first=plan.ago(118), until=plan.today)


def _student_employed(plan: Plan, story: Story) -> None:
    """Employed on one ward, with an award; for ten weeks a student, and at home, on another."""
    who = plan.member("curlew", number=story.number, name=story.name, profession="enrolled_nurse")
    plan.holds(who, expires_on=add_months(plan.today, 7), months=33)
    usually(plan, who, 32, first=plan.ago(700), until=plan.ago(42))
    plan.turn(plan.ago(40), lambda doors: doors.move(who, story.unit, kind="student", stay=True))


def _by_role(plan: Plan, story: Story) -> None:
    """Anaesthetists insert by a decision about their profession; this one also supervises."""
    for place in range(3):
        first = plan.member("theatre", profession="anaesthetist", account=False) if place else None
        who = first or plan.member(story.unit, number=story.number, name=story.name, profession="anaesthetist")
        if first is None:
            plan.appoint(who, "supervisor", story.unit)
            rng = plan.rng(story.number)
            for at in shifts.spread(rng, "lists", 24, first=plan.ago(640), until=plan.today):
                works = bool(rng.random() < 0.9)
                others = int(rng.integers(0, 3))
                plan.inserts(rng, who, at, attempts.made(rng, "ADULT", works=works, punctures=None if works else 1),
                             others_before=others, difficult="before" if others else "")  # fmt: skip
    until = plan.today + timedelta(days=214)

    def decide(doors: Doors) -> None:
        basis = "Specialist registration and departmental credentialing; looked at again every year."
        doors.scope(SALTMARSH, until, basis, profession="anaesthetist")

    plan.turn(plan.start, decide, time(13, 0))


def _doctors(plan: Plan, doctor: Story, locum: Story) -> None:
    for story, kind, since, until in (
        (doctor, "employed", plan.ago(300), plan.today + timedelta(days=66)),
        (locum, "locum", plan.ago(110), plan.ago(21)),
    ):
        who = plan.member(
            story.unit, number=story.number, name=story.name, profession="doctor", kind=kind, opened=since
        )
        _scope_of(plan, who, since + timedelta(days=2), until)
        rng = plan.rng(story.number)
        last = min(until, plan.today)
        for at in shifts.spread(rng, "emergency", 12, first=since + timedelta(days=3), until=last):
            plan.inserts(rng, who, at, attempts.made(rng, "ADULT", works=bool(rng.random() < 0.85)))
    for unit in ("emergency", "egret", "heron"):
        plan.member(unit, profession="doctor", account=False)


def _scope_of(plan: Plan, who: str, day: date, until: date) -> None:
    basis = "Registrar in emergency medicine; supervised practice seen elsewhere, letter in the file."
    plan.turn(day, lambda doors: doors.scope(HARBOUR, until, basis, who=who), time(13, 30))


def _emergency(plan: Plan, story: Story) -> None:
    who = plan.member(story.unit, number=story.number, name=story.name, profession="paramedic", opened=plan.ago(70))
    rng = plan.rng(story.number)
    made = attempts.made(rng, "ADULT", works=True)
    plan.inserts(rng, who, datetime.combine(plan.ago(17), time(3, 35)), made, emergency=True, help_called="senior",
                 comment="Arrest call, team not yet there.")  # fmt: skip


def _moved(plan: Plan, story: Story) -> None:
    who = plan.member("tern", number=story.number, name=story.name)
    plan.holds(who, expires_on=add_months(plan.today, 7), months=33)
    usually(plan, who, 34, first=plan.ago(690), until=plan.ago(34))
    plan.turn(plan.ago(30), lambda doors: doors.move(who, story.unit))


def _leave(plan: Plan, story: Story) -> None:
    who = holder(plan, story)
    usually(plan, who, 26, first=plan.ago(700), until=plan.ago(236))
    plan.turn(plan.ago(233), lambda doors: doors.absent(who, plan.ago(230), plan.ago(12)))


def _left(plan: Plan, story: Story) -> None:
    who = plan.member(story.unit, number=story.number, name=story.name, left=plan.ago(25))
    plan.holds(who, expires_on=add_months(plan.today, 7), months=33)
    usually(plan, who, 28, first=plan.ago(690), until=plan.ago(27))


def _waiting(plan: Plan) -> None:
    """What waits for a second person: a certificate brought by somebody new, and rules for the day unit."""
    who = plan.member("heron", opened=plan.ago(6))
    expires_on = add_months(plan.today, 11)
    claim = Certificate(
        who=who, procedure="ADULT", scope=SALTMARSH, awarded_on=awarded_for(expires_on, 24, latest=plan.today),
        expires_on=expires_on, entered_on=plan.today,
    )  # fmt: skip
    plan.turn(plan.ago(5), lambda doors: doors.claim(claim))
    note = "Only easy veins here: a higher target, and drift noticed earlier."
    values = ("0.85", "0.12", "0.25")
    effective_on = plan.today + timedelta(days=30)
    plan.turn(plan.ago(3), lambda doors: local_rules.propose(doors, "plover", values, effective_on, note))
