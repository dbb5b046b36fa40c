"""Decisions that limit: stood down, suspended and reinstated, an award withdrawn, plans open, overdue, ended."""

from datetime import date, time, timedelta

from audits.calendar import add_months
from audits.models import Restriction
from config.demo.doors import Doors
from config.demo.plan import Plan
from config.demo.stories import STORIES
from config.demo.telling_records import usually
from credentials import restricting, returning
from credentials.restricting import Decision
from credentials.rules.answers import Answer

Kind = Restriction.Kind
TALK = "Until the incident of the night is talked over."
TALKED = "Talked over with both; what follows is decided apart from the night."
SHARP = "Left the sharp on the trolley, twice."
PAPER = "The certificate from before was somebody else's."
LIMITED = ("stood_down", "suspended", "reinstated", "withdrawn", "on_a_plan", "returning", "plan_done")


def tell(plan: Plan) -> None:
    for key in LIMITED:
        story = STORIES[key]
        who = plan.member(story.unit, number=story.number, name=story.name)
        is_lapsed = key == "returning"
        plan.holds(who, expires_on=plan.ago(70) if is_lapsed else add_months(plan.today, 9), months=30)
        usually(plan, who, 18, first=plan.ago(500), until=plan.ago(75 if is_lapsed else 45))
    of = {key: STORIES[key].number for key in LIMITED}
    plan.turn(plan.ago(1), lambda doors: _stand_down(doors, of["stood_down"]), time(2, 50))
    plan.turn(plan.ago(6), lambda doors: _limit(doors, of["suspended"], Kind.SUSPENSION, TALK))
    plan.turn(plan.ago(39), lambda doors: _stand_down(doors, of["reinstated"]), time(22, 50))
    plan.turn(plan.ago(38), lambda doors: _end(doors, of["reinstated"], TALKED), time(12, 10))
    plan.turn(plan.ago(38), lambda doors: _limit(doors, of["reinstated"], Kind.SUSPENSION, SHARP))
    plan.turn(plan.ago(24), lambda doors: _end(doors, of["reinstated"], "Watched twice since; safe with sharps."))
    plan.turn(plan.ago(15), lambda doors: _limit(doors, of["withdrawn"], Kind.WITHDRAWAL, PAPER))
    plan.turn(plan.ago(40), lambda doors: _plan(doors, of["on_a_plan"], Kind.PLAN, plan.ago(5)))
    _back_early(plan)
    until = plan.today + timedelta(days=40)
    first = plan.ago(12)
    plan.turn(plan.ago(36), lambda doors: _plan(doors, of["returning"], Kind.RETURN_PLAN, first))
    plan.turn(plan.ago(24), lambda doors: _extend(doors, of["returning"], plan.ago(2)), time(12, 20))
    plan.turn(plan.ago(22), lambda doors: _end(doors, of["returning"], "On sick leave since; begun anew on return."))
    plan.turn(plan.ago(20), lambda doors: _plan(doors, of["returning"], Kind.RETURN_PLAN, until))
    plan.turn(plan.ago(60), lambda doors: _plan(doors, of["plan_done"], Kind.PLAN, plan.ago(20)))
    plan.turn(plan.ago(34), lambda doors: _extend(doors, of["plan_done"], plan.ago(10)))
    plan.turn(plan.ago(12), lambda doors: _end(doors, of["plan_done"], "Five watched by two supervisors, all sound."))


def _back_early(plan: Plan) -> None:
    """Away for seven months; the educator ends the return step before its insertions, with a reason."""
    story = STORIES["return_signed"]
    who = plan.member(story.unit, number=story.number, name=story.name)
    plan.holds(who, expires_on=add_months(plan.today, 9), months=30)
    usually(plan, who, 14, first=plan.ago(480), until=plan.ago(265))
    plan.turn(plan.ago(262), lambda doors: doors.absent(who, plan.ago(260), plan.ago(40)))
    plan.turn(plan.ago(31), lambda doors: _sign_return(doors, who))


def _sign_return(doors: Doors, who: str) -> None:
    clinician, procedure = doors.clinicians[who], doors.procedures["ADULT"]
    reason = "Inserted daily on secondment in the west; their educator's letter seen."
    step = returning.open_step(clinician, procedure)
    signer = doors.confirm(doors.educator(doors.home(who)), returning.MEANING, [step.digest(reason)])
    returning.sign_as_done(signer=signer, clinician=clinician, procedure=procedure, reason=reason)


def _stand_down(doors: Doors, who: str) -> None:
    """By the manager in charge, in the night."""
    decision = Decision(
        clinician=doors.clinicians[who], kind=Kind.STAND_DOWN, reason="Three punctures on one arm, would not stop."
    )
    signer = doors.confirm(doors.manager(doors.home(who)), restricting.MEANING[Kind.STAND_DOWN], [decision.digest])
    restricting.decide(signer=signer, decision=decision)


def _limit(doors: Doors, who: str, kind: Kind, reason: str) -> None:
    _decide(
        doors, Decision(clinician=doors.clinicians[who], kind=kind, reason=reason, procedure=doors.procedures["ADULT"])
    )


def _plan(doors: Doors, who: str, kind: Kind, due_on: date) -> None:
    _decide(
        doors,
        Decision(
            clinician=doors.clinicians[who],
            kind=kind,
            reason="To be sure again, with somebody beside.",
            procedure=doors.procedures["ADULT"],
            answer=Answer.IN_ROOM,
            due_on=due_on,
            insertions=5,
            observations=1,
        ),
    )


def _decide(doors: Doors, decision: Decision) -> None:
    educator = doors.educator(doors.home(decision.clinician.staff_number))
    signer = doors.confirm(educator, restricting.MEANING[Kind(decision.kind)], [decision.digest])
    restricting.decide(signer=signer, decision=decision)


def _extend(doors: Doors, who: str, day: date) -> None:
    row, reason = _standing(doors, who), "Was on the day list only for two weeks."
    signer = doors.confirm(doors.educator(doors.home(who)), "plan extended", [restricting.end_digest(row, reason, day)])
    restricting.extend(signer=signer, restriction=row, due_on=day, reason=reason)


def _end(doors: Doors, who: str, reason: str) -> None:
    row = _standing(doors, who)
    meaning = restricting.ENDED[Kind(row.kind)]
    signer = doors.confirm(doors.educator(doors.home(who)), meaning, [restricting.end_digest(row, reason)])
    restricting.end(signer=signer, restriction=row, reason=reason)


def _standing(doors: Doors, who: str) -> Restriction:
    (row,) = restricting.standing_restrictions(doors.clinicians[who], doors.today)
    return row
