"""What becomes of awards: recognised from elsewhere whole, in part or not yet; refused; extended; by role no more."""

from datetime import date, timedelta

from audits.calendar import add_months
from audits.models import Recognition, ScopeByRole
from config.demo import leads
from config.demo.doors import Doors
from config.demo.groundplan import HARBOUR, SALTMARSH
from config.demo.plan import Certificate, Plan
from config.demo.stories import STORIES
from config.demo.telling_learning import learns
from config.demo.telling_records import holder, series, usually
from credentials import awarding, extending, founding, recognising
from credentials.models import Founding
from credentials.recognising import Brought
from people import staffing

Outcome = Recognition.Outcome
ELSEWHERE = "Thornleigh District Hospital, three hundred kilometres north"
LETTER = "Award letter and logbook, seen in the original; copies in the education office"
NAMESAKE = "The letter is that of a namesake: their education office says so."


def tell(plan: Plan) -> None:
    _whole(plan)
    _part(plan)
    _again(plan)
    _extended(plan)
    _by_profession(plan)


def _whole(plan: Plan) -> None:
    """Her award from elsewhere holds here for as long as it would have held there."""
    story = STORIES["recognised"]
    who = plan.member(
        story.unit, number=story.number, name=story.name, opened=plan.ago(40), profession="enrolled_nurse"
    )
    awarded_on = add_months(plan.ago(40), -9)
    why = "Same band, same technique, more supervised insertions than we ask for; two referees telephoned."
    plan.turn(plan.ago(36), lambda doors: _recognise(doors, who, Outcome.WHOLE, why, awarded_on=awarded_on))
    usually(plan, who, 7, first=plan.ago(34), until=plan.today)


def _part(plan: Plan) -> None:
    story = STORIES["recognised_part"]
    begun = plan.ago(47)
    who = plan.member(story.unit, number=story.number, name=story.name, opened=begun - timedelta(days=4))
    learns(plan, plan.rng(story.number), who, "ADULT", begun=begun, count=4)
    why = "Twelve are in the logbook; five name a supervisor whom we could reach."
    plan.turn(plan.ago(30), lambda doors: _recognise(doors, who, Outcome.PART, why, insertions=5))


def _again(plan: Plan) -> None:
    """Claimed as held before the register, and refused; recognised, a mistake; now assessed again from here."""
    story = STORIES["recognised_again"]
    who = plan.member(story.unit, number=story.number, name=story.name, opened=plan.ago(60))
    awarded_on = add_months(plan.ago(60), -8)
    claim = Certificate(
        who=who, procedure="ADULT", scope=HARBOUR, awarded_on=awarded_on, expires_on=add_months(awarded_on, 24),
        entered_on=plan.ago(57),
    )  # fmt: skip
    plan.turn(plan.ago(57), lambda doors: doors.claim(claim))
    plan.turn(plan.ago(56), lambda doors: _refuse(doors, who))
    whole = "The letter names the award and its day; the logbook is to follow."
    plan.turn(plan.ago(54), lambda doors: _recognise(doors, who, Outcome.WHOLE, whole, awarded_on=awarded_on))
    series(plan, plan.rng(story.number), who, "YNYY", first=plan.ago(51), until=plan.ago(29))
    plan.turn(plan.ago(27), lambda doors: _withdraw(doors, who))
    again = "Inserts soundly by what colleagues say, and has no paper that shows it: starts here as a learner."
    plan.turn(plan.ago(26), lambda doors: _recognise(doors, who, Outcome.REASSESS, again))
    plan.turn(plan.ago(25), lambda doors: doors.enrol(who, "ADULT"))


def _extended(plan: Plan) -> None:
    """Lent to the other hospital for a day a week; somebody with a say at both lets the award hold there too."""
    story = STORIES["extended"]
    who = holder(plan, story)
    usually(plan, who, 24, first=plan.ago(690), until=plan.ago(61))
    plan.turn(plan.ago(59), lambda doors: _lend(doors, who, "egret", plan.ago(58)))
    plan.turn(plan.ago(57), lambda doors: _extend(doors, who))
    usually(plan, who, 6, first=plan.ago(55), until=plan.today)


def _by_profession(plan: Plan) -> None:
    """Paramedics in training inserted by role for a year; their placements ended early, and so did the scope."""
    until = plan.ago(130)
    basis = "Placement year of the ambulance service, with a supervisor of their own beside them."
    plan.turn(plan.ago(400), lambda doors: doors.scope(SALTMARSH, until, basis, profession="paramedic"))
    plan.turn(plan.ago(170), lambda doors: _end_scope(doors, plan.ago(168)))


# --- at the register ---


def _recognise(
    doors: Doors, who: str, outcome: Outcome, reason: str, *, awarded_on: date | None = None,
    insertions: int = 0,
) -> None:  # fmt: skip
    """By the educator of the person; a whole has the day of the other award and holds at the hospital."""
    brought = Brought(
        clinician=doors.clinicians[who], procedure=doors.procedures["ADULT"], outcome=outcome, origin=ELSEWHERE,
        evidence=LETTER, reason=reason, scope_unit=doors.units[HARBOUR] if awarded_on else None, awarded_on=awarded_on,
        insertions=insertions,
    )  # fmt: skip
    signer = doors.confirm(doors.educator(doors.home(who)), recognising.MEANING, [brought.digest])
    recognising.recognise(signer=signer, brought=brought)


def _withdraw(doors: Doors, who: str) -> None:
    (row,) = recognising.of_person(doors.clinicians[who], doors.procedures["ADULT"])
    digest = recognising.withdrawal_digest(row, NAMESAKE)
    signer = doors.confirm(doors.educator(doors.home(who)), recognising.WITHDRAWN, [digest])
    recognising.withdraw(signer=signer, recognition=row, reason=NAMESAKE)


def _refuse(doors: Doors, who: str) -> None:
    """Held elsewhere, not here: that is no founding award."""
    claim = Founding.objects.select_related("clinician", "procedure", "scope_unit").get(
        clinician=doors.clinicians[who], decided=None
    )
    signer = doors.confirm(doors.educator(doors.home(who)), founding.REFUSED, [founding.founding_digest(claim)])
    founding.decide_founding(signer=signer, claim=claim, confirmed=False)


def _lend(doors: Doors, who: str, unit: str, day: date) -> None:
    staffing.place(
        actor=doors.first, clinician=doors.clinicians[who], unit=doors.units[unit], home=False, from_day=day
    )  # fmt: skip


def _extend(doors: Doors, who: str) -> None:
    signer = doors.users[leads.FIRST.email]
    (award,) = extending.in_force(doors.clinicians[who], doors.procedures["ADULT"], doors.today)
    reason = "Works at Harbour Point one day a week; same terms, same equipment, shown round there."
    extension = extending.Extension(award=award, scope_unit=doors.units[HARBOUR], reason=reason)
    extending.extend(
        signer=doors.confirm(signer, extending.MEANING, [extension.digest]), extension=extension
    )  # fmt: skip


def _end_scope(doors: Doors, day: date) -> None:
    rows = ScopeByRole.objects.known().select_related("clinician", "procedure", "unit")
    row = rows.get(profession="paramedic")
    signer = doors.confirm(doors.educator(SALTMARSH), awarding.SCOPE_ENDED, [awarding.scope_digest(row)])
    awarding.finish_scope(signer=signer, scope=row, until_day=day)
