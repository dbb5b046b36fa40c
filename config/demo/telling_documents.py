"""Local documents: a programme that asks for more, who was moved to it; versions taken back; a checklist retired."""

from datetime import date, timedelta
from typing import Any

from audits.example_checklist import EXAMPLE
from audits.models import Checklist, Retirement
from config.demo import local_rules
from config.demo.doors import Doors
from config.demo.plan import Plan
from config.demo.stories import STORIES
from config.demo.telling_learning import learns
from credentials import moving, proposing, retiring
from credentials.models import Programme, Proposed, Rules
from credentials.rules.terms import Terms
from people.models import User

IMAGING, MATERNITY = "imaging", "maternity"
MORE = {"insertions": 12, "observations": 1, "observation_assessors": 1}
WRONG = "The step on the tourniquet leaves out what we agreed for women with high blood pressure."


def tell(plan: Plan) -> None:
    _moved(plan)
    _checklist(plan)
    plan.turn(plan.ago(17), lambda doors: _children(doors, plan.today + timedelta(days=14)))
    plan.turn(plan.ago(16), lambda doors: _take_back(doors, doors.manager("children"), "children", Rules))


def _moved(plan: Plan) -> None:
    """Enrolled under the group's programme; the department then asks for more, and the educator moves her to it."""
    story = STORIES["moved_version"]
    begun = plan.ago(52)
    who = plan.member(story.unit, number=story.number, name=story.name, profession="radiographer",
                      opened=begun - timedelta(days=5))  # fmt: skip
    learns(plan, plan.rng(story.number), who, "ADULT", begun=begun, count=5)
    plan.turn(plan.ago(33), lambda doors: _programme(doors, {"insertions": 30}, plan.ago(20)))
    plan.turn(plan.ago(31), lambda doors: _take_back(doors, doors.educator(IMAGING), IMAGING, Programme))
    plan.turn(plan.ago(30), lambda doors: _programme(doors, MORE, plan.ago(20)))
    plan.turn(plan.ago(28), lambda doors: _approve(doors, doors.manager(IMAGING), IMAGING, Programme))
    plan.turn(plan.ago(14), lambda doors: _move(doors, who))


def _checklist(plan: Plan) -> None:
    """Taken out of use twice: once another disagreed, once another agreed. A version after it was taken back."""
    educator, manager = (lambda doors: doors.educator(MATERNITY)), (lambda doors: doors.manager(MATERNITY))
    plan.turn(plan.ago(76), lambda doors: _propose_checklist(doors, plan.ago(70)))
    plan.turn(plan.ago(74), lambda doors: _approve(doors, manager(doors), MATERNITY, Checklist))
    plan.turn(plan.ago(50), lambda doors: _retire(doors, educator(doors)))
    plan.turn(plan.ago(48), lambda doors: _decide(doors, manager(doors), confirm=False))
    plan.turn(plan.ago(21), lambda doors: _retire(doors, manager(doors)))
    plan.turn(plan.ago(19), lambda doors: _decide(doors, educator(doors), confirm=True))
    plan.turn(plan.ago(11), lambda doors: _propose_checklist(doors, plan.today + timedelta(days=20)))
    plan.turn(plan.ago(10), lambda doors: _take_back(doors, educator(doors), MATERNITY, Checklist))


# --- at the register ---


def _programme(doors: Doors, asked: dict[str, int], day: date) -> None:
    content = Terms().to_content() | asked
    note = "Most patients here are sent by others, with veins that were tried before."
    _propose(doors, Programme, IMAGING, "Programme of Imaging", content, day, note)


def _propose_checklist(doors: Doors, day: date) -> None:
    content = EXAMPLE.to_content()
    note = "As the group's, to be changed where women in labour need something else."
    _propose(doors, Checklist, MATERNITY, "Checklist of Maternity Sandpiper", content, day, note)


def _children(doors: Doors, day: date) -> None:
    local_rules.propose(doors, "children", ("0.75", "0.20", "0.35"), day, "Stricter, to be talked over first.")


def _propose(
    doors: Doors, model: type[Proposed], unit: str, name: str, content: dict[str, Any], day: date, note: str
) -> None:
    proposing.propose(
        model, actor=doors.educator(unit), unit=doors.units[unit], procedure=doors.procedures["ADULT"], name=name,
        content=content, effective_on=day, note=note,
    )  # fmt: skip


def _waiting(doors: Doors, unit: str, model: type[Proposed]) -> Any:
    rows = model._default_manager.filter(unit=doors.units[unit], approved=None, known_until=None)
    return rows.select_related("unit", "procedure").get()


def _approve(doors: Doors, user: User, unit: str, model: type[Proposed]) -> None:
    row = _waiting(doors, unit, model)
    proposing.approve(signer=doors.confirm(user, proposing.MEANING, [proposing.document_digest(row)]), document=row)


def _take_back(doors: Doors, user: User, unit: str, model: type[Proposed]) -> None:
    proposing.take_back(actor=user, document=_waiting(doors, unit, model))


def _move(doors: Doors, who: str) -> None:
    clinician, procedure = doors.clinicians[who], doors.procedures["ADULT"]
    reason = "Half way, and glad to be watched once; we agreed on it."
    digest = moving.check_move(clinician, procedure).digest(reason)
    signer = doors.confirm(doors.educator(doors.home(who)), moving.MOVED, [digest])
    moving.move(signer=signer, clinician=clinician, procedure=procedure, reason=reason)


def _retire(doors: Doors, user: User) -> None:
    row = Checklist.objects.select_related("unit", "procedure").get(
        unit=doors.units[MATERNITY], approved__isnull=False
    )  # fmt: skip
    signer = doors.confirm(user, retiring.RETIRED, [proposing.document_digest(row)])
    retiring.retire(signer=signer, checklist=row, reason=WRONG)


def _decide(doors: Doors, user: User, *, confirm: bool) -> None:
    row = Retirement.objects.select_related("checklist__unit", "checklist__procedure", "by").get(
        checklist__unit=doors.units[MATERNITY], decided=None
    )
    signer = doors.confirm(user, retiring.DECIDED, [retiring.retirement_digest(row)])
    retiring.decide_retirement(signer=signer, retirement=row, confirm=confirm)
