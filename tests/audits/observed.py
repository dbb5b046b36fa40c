"""The stage of the tests of observations: a ward with a checklist, assessors who hold the procedure, ready marks."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from uuid import uuid4

from audits import observing, second_raters
from audits.models import Checklist, Observation, Procedure
from ledger.verify import verify
from people.models import Clinician, Unit, User
from people.signing import Confirmed, confirm
from tests.audits.conftest import give_award
from tests.factories import (
    SECRET,
    AppointmentFactory,
    Cast,
    ChecklistFactory,
    ProcedureFactory,
    make_cast,
    make_clinician,
)

STEP_KEYS = ("hands", "hair", "sharps", "flush")
SAID: Mapping[str, Any] = {
    "rating": 2, "given": "in_room", "recommended": "nearby", "met": True, "feedback": "Calm, well prepared.",
    "next": "One more with poor veins.",
}  # fmt: skip


@dataclass(frozen=True)
class Watched:
    cast: Cast
    procedure: Procedure
    checklist: Checklist
    ward: Unit
    learner: Clinician
    assessor: User
    other: User  # another assessor


def an_assessor(cast: Cast, procedure: Procedure, name: str, **award: Any) -> User:
    """Somebody of the ward, appointed as assessor over the department, who holds the procedure there."""
    clinician = make_clinician(cast.wards.ward, name)
    give_award(clinician, procedure, cast.wards.department, **award)
    user: User = clinician.user  # type: ignore[assignment]
    AppointmentFactory(user=user, role="assessor", unit=cast.wards.department)
    return user


def make_watched(**award: Any) -> Watched:
    """`award` changes the awards of both assessors."""
    cast, procedure = make_cast(), ProcedureFactory()
    return Watched(
        cast=cast,
        procedure=procedure,
        checklist=ChecklistFactory(procedure=procedure, unit=cast.wards.hospital),
        ward=cast.wards.ward,
        learner=cast.owner,
        assessor=an_assessor(cast, procedure, "Asa Essor", **award),
        other=an_assessor(cast, procedure, "Otto Ther", **award),
    )


def begun(stage: Watched, **changes: Any) -> Observation:
    said: dict[str, Any] = {
        "actor": stage.assessor,
        "uuid": uuid4(),
        "clinician": stage.learner,
        "procedure": stage.procedure,
        "unit": stage.ward,
        "purpose": "decision",
        "setting": "patient",
    }
    return observing.begin(**{**said, **changes})


def marks(default: str = "met", **changes: str) -> dict[str, dict[str, str]]:
    """Every step met, but for those named."""
    found = {key: {"mark": changes.get(key, default)} for key in STEP_KEYS}
    for each in found.values():
        if each["mark"] == "not_applicable":
            each["reason"] = "Nothing of the kind here"
    return found


def ticked(observation: Observation, *, said: Mapping[str, Any] = {}, **changes: str) -> Observation:
    """Everything marked and said, ready to be signed."""
    whole = {**SAID, **said, "marks": marks(**changes)}
    if observation.purpose == "learning":
        whole["met"] = None
    observing.save(user=observation.assessor, observation=observation, changes=whole)
    return observation


def hand(observation: Observation, user: User | None = None) -> Confirmed:
    """The assessor's signature under what the check page would show."""
    digest = observing.check(observation).digest
    return confirm(user=user or observation.assessor, secret=SECRET, meaning="observed, as shown", digests=[digest])


def signed(
    stage: Watched, *, said: Mapping[str, Any] = {}, begin: Mapping[str, Any] = {}, **changes: str
) -> Observation:
    """Begun, ticked and signed."""
    made = ticked(begun(stage, **begin), said=said, **changes)
    return observing.sign(signer=hand(made), observation=made)


def rated_twice(stage: Watched, first: Observation, *, said: Mapping[str, Any] = {}, **changes: str) -> Observation:
    """The second rating of a first one, by the other assessor."""
    second_raters.ask(actor=first.assessor, observation=first, whom=stage.other)
    made = begun(stage, actor=stage.other, second_of=first, purpose=first.purpose, setting=first.setting)
    ticked(made, said=said, **changes)
    return observing.sign(signer=hand(made), observation=made)


def problems() -> list[str]:
    """What verification finds, the checklist that is staged without its acts and a guard that a test lifted aside."""
    reasons = [problem.reason for problem in verify().problems]
    return [each for each in reasons if "the guard is missing" not in each and not each.startswith("checklists: ")]
