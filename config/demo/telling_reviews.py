"""What comes of questions: a plan under way, one overdue, one completed, one made stricter; a case referred and shared.

The questions are those of the first review: without it nothing of this happens.
"""

from collections.abc import Callable
from datetime import date, datetime, time, timedelta

from audits.models import Restriction
from config.demo import attempts, shifts
from config.demo.doors import Doors
from config.demo.plan import FIRST_REVIEW, Plan
from config.demo.stories import STORIES
from config.demo.telling_records import holder, usually
from credentials import flags, referring, restricting
from credentials.models import Flag
from credentials.restricting import Decision
from credentials.rules.answers import Answer
from people.access import access_of

Kind = Restriction.Kind
ASKED = (
    "asked_plan", "asked_overdue", "asked_done", "asked_suspended", "asked_referred", "asked_nothing", "asked_at_once",
)  # fmt: skip
OVERDUE = "Nobody was asked to stand beside in all that time, and the plan is overdue."
WHY = "Three punctures in one patient, and nobody called: somebody stands beside for the next ones."


def tell(plan: Plan) -> None:
    for place, key in enumerate(ASKED):
        who, rng = holder(plan, STORIES[key]), plan.rng(STORIES[key].number)
        usually(plan, who, 24, first=plan.ago(640), until=plan.ago(40))
        at = shifts.times_of(rng, "ward", plan.ago(20 + place), 1)[0]
        made = attempts.made(rng, "ADULT", works=False, punctures=3)
        plan.inserts(rng, who, at, made, comment="Difficult from the start.")
    of = {key: STORIES[key].number for key in ASKED}
    _watched(plan, of["asked_done"])
    days = {
        "asked_plan": plan.today + timedelta(days=20),
        "asked_overdue": plan.ago(3),
        "asked_done": plan.today + timedelta(days=4),
        "asked_suspended": plan.ago(4),
    }
    for key, due_on in days.items():
        _then(plan, 2, lambda doors, who=of[key], due_on=due_on: _plan(doors, who, due_on))  # type: ignore[misc]
    _then(plan, 10, lambda doors: _complete(doors, of["asked_done"]))
    _then(plan, 9, lambda doors: _suspend(doors, of["asked_suspended"], OVERDUE))
    _then(plan, 1, lambda doors: _reply(doors, of["asked_referred"]))
    _then(plan, 2, lambda doors: _refer(doors, of["asked_referred"]))
    _then(plan, 6, lambda doors: _take_back(doors, of["asked_referred"]))
    nothing = "A collapse in the corridor, three veins of a patient in shock: nothing that anybody would do otherwise."
    _then(plan, 3, lambda doors: _close(doors, of["asked_nothing"], Flag.Outcome.NO_ACTION, nothing))
    watch = "Says herself that she should have called. We look at the next ten together."
    _then(plan, 4, lambda doors: _close(doors, STORIES["limit"].number, Flag.Outcome.WATCH, watch))
    at_once = "Three punctures after the patient had said stop. Until that is talked over with both."
    _then(plan, 2, lambda doors: _suspend(doors, of["asked_at_once"], at_once))


def _then(plan: Plan, days: int, act: Callable[[Doors], None]) -> None:
    """So many days after the first review."""
    plan.after_review.append((datetime.combine(plan.ago(FIRST_REVIEW - days), time(11, 20)), act))


def _watched(plan: Plan, who: str) -> None:
    """Two with a supervisor in the room, on the days after the plan was opened."""
    rng = plan.rng("watched", who)
    for back in (9, 8):
        at = shifts.times_of(rng, "ward", plan.ago(back), 1)[0]
        plan.supervised(rng, who, at, attempts.made(rng, "ADULT", works=True))


def _plan(doors: Doors, who: str, due_on: date) -> None:
    flag = _question(doors, who)
    decision = Decision(
        clinician=flag.clinician, procedure=flag.procedure, kind=Kind.PLAN, reason=WHY, flag=flag,
        answer=Answer.IN_ROOM, insertions=2, due_on=due_on,
    )  # fmt: skip
    _decide(doors, who, decision)


def _suspend(doors: Doors, who: str, reason: str) -> None:
    flag = _question(doors, who)
    _decide(doors, who, Decision(clinician=flag.clinician, kind=Kind.SUSPENSION, reason=reason, flag=flag))


def _decide(doors: Doors, who: str, decision: Decision) -> None:
    educator = doors.educator(doors.home(who))
    signer = doors.confirm(educator, restricting.MEANING[Kind(decision.kind)], [decision.digest])
    restricting.decide(signer=signer, decision=decision)


def _complete(doors: Doors, who: str) -> None:
    (row,) = restricting.standing_restrictions(doors.clinicians[who], doors.today)
    reason = "Both watched from start to end; called for help early in one of them."
    educator = doors.educator(doors.home(who))
    signer = doors.confirm(educator, restricting.ENDED[Kind.PLAN], [restricting.end_digest(row, reason)])
    restricting.end(signer=signer, restriction=row, reason=reason)


def _reply(doors: Doors, who: str) -> None:
    text = "I was alone with two calls at once. I ask what others would have done."
    doors.reply(who, "ADULT", "attempts_limit", text)


def _refer(doors: Doors, who: str) -> None:
    """By the educator to the manager, and by the person to a supervisor of the ward."""
    flag, unit = _question(doors, who), doors.home(who)
    why = "Two calls at once, one nurse: is this about the person or about the roster?"
    referring.refer(actor=doors.educator(unit), flag=flag, to=doors.manager(unit), reason=why)
    me = doors.users[who]
    to = referring.may_be_asked(access_of(me), flag).first()
    if to is not None:
        referring.refer(actor=me, flag=flag, to=to, reason="You were on that shift: please read what I wrote.")


def _take_back(doors: Doors, who: str) -> None:
    """The manager has answered the educator; what the person shared stays shared."""
    manager = doors.manager(doors.home(who))
    (row,) = [each for each in referring.open_referrals(_question(doors, who)) if each.to == manager]
    referring.end_referral(actor=doors.educator(doors.home(who)), referral=row)


def _close(doors: Doors, who: str, outcome: Flag.Outcome, reason: str) -> None:
    flag = _question(doors, who)
    signer = doors.confirm(doors.educator(doors.home(who)), flags.MEANING, [flags.flag_digest(flag)])
    flags.close_flag(signer=signer, flag=flag, outcome=outcome, reason=reason)


def _question(doors: Doors, who: str) -> Flag:
    rows = Flag.objects.filter(clinician=doors.clinicians[who], rule="attempts_limit")
    return rows.select_related("clinician__user", "procedure").latest("pk")
