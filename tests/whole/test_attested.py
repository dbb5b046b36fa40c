"""What the act of every signature holds, for every kind of record that can be signed."""

import ast
import json
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from config.settings import SITED_VERSION
from credentials import completion_sheets, extending, moving, recognising
from credentials.extending import Extension
from credentials.models import Enrolment, Programme
from credentials.proposing import approve, document_digest, propose
from credentials.recognising import Brought
from ledger import clock
from ledger.acts import instant
from ledger.models import Act
from people.models import Shown, User
from sheets.reading import read_workbook
from tests.whole.world import BEGUN, TERMS, Walk, make_world, rolled_back, sign

ROOT = Path(__file__).resolve().parents[2]
MOST_TRIES = 80

# Each place that signs, and the kinds of acts that come of it; a new one is missed by the test below.
PLACES: dict[str, tuple[str, ...]] = {
    "audits/corrections.py decide": ("correction.decided",),
    "audits/countersigning.py add_statement": ("statement.signed",),
    "audits/logbook_sheets.py carry_out": ("logbook.imported",),
    "audits/observing.py sign": ("observation.signed",),
    "audits/reconsidering.py decide": ("statements.reconsidered",),
    "audits/ruling.py rule": ("dispute.ruled", "observation.dispute_ruled"),
    "credentials/awarding.py _sign": ("award.made", "award.renewed"),
    "credentials/awarding.py decide_scope": ("scope.decided",),
    "credentials/awarding.py finish_scope": ("scope.ended",),
    "credentials/cohort_ends.py leave": ("cohort.left",),
    "credentials/completion_sheets.py carry_out": ("completions.imported",),
    "credentials/extending.py extend": ("award.extended",),
    "credentials/flags.py close_flag": ("flag.closed",),
    "credentials/founding.py decide_founding": ("founding.decided",),
    "credentials/moving.py move": ("enrolment.moved",),
    "credentials/policies.py change_policy": ("policy.changed",),
    "credentials/policies.py end_policy": ("policy.ended",),
    "credentials/policies.py open_policy": ("policy.opened",),
    "credentials/papers/certificates.py revoke": ("certificate.revoked",),
    "credentials/proposing.py approve": ("checklist.approved", "programme.approved", "rules.approved"),
    "credentials/recognising.py recognise": ("recognition.decided",),
    "credentials/recognising.py withdraw": ("recognition.withdrawn",),
    "credentials/restricting.py decide": (
        "plan.made", "return_plan.made", "stand_down.made", "suspension.made", "withdrawal.made",
    ),
    "credentials/restricting.py end": ("plan.ended", "return_plan.ended", "stand_down.ended", "suspension.ended"),
    "credentials/restricting.py extend": ("plan.extended", "return_plan.extended"),
    "credentials/retiring.py decide_retirement": ("checklist.retirement_decided",),
    "credentials/retiring.py retire": ("checklist.retired",),
    "credentials/returning.py sign_as_done": ("return_step.signed",),
    "credentials/staff_sheets.py carry_out": ("staff.imported",),
}  # fmt: skip
KINDS = tuple(sorted(kind for kinds in PLACES.values() for kind in kinds))
# Acts about many records at once name them under this key of their content; all others by their subject.
MANY = {"completions.imported": "rows", "staff.imported": "rows", "statements.reconsidered": "statements"}
IDENTIFIER = re.compile(r"[0-9a-f]{64}|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")  # a digest, or a UUID


def places() -> Iterator[str]:
    """Where a signature is used: 'file function' of each call of `.use(...)` in the project."""
    for app in ("audits", "config", "credentials", "people"):
        for path in sorted((ROOT / app).rglob("*.py")):
            for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(function, ast.FunctionDef) and any(
                    isinstance(call, ast.Call) and isinstance(call.func, ast.Attribute) and call.func.attr == "use"
                    for call in ast.walk(function)
                ):
                    yield f"{path.relative_to(ROOT)} {function.name}"


@dataclass(frozen=True, kw_only=True)
class Attested:
    """One signature as it is stored: its act, and what its confirmation noted."""

    act: Act
    actor: User
    used: Shown | None
    organisation: str


# --- making each of them ---


def _extend(walk: Walk) -> Any:
    holder = walk.world.holders[0]
    award = next(iter(extending.in_force(holder, walk.world.procedures[0], walk.today)), None)
    assert award is not None
    asked = Extension(award=award, scope_unit=walk.world.cast.wards.other_hospital, reason="Works there as well.")
    return extending.extend(signer=sign(walk.world.chief, asked.digest), extension=asked)


def _recognise(walk: Walk) -> Any:
    brought = Brought(
        clinician=walk.world.cast.owner, procedure=walk.world.procedures[0], outcome="part", insertions=1,
        origin="Marrick Valley Health", evidence="Certificate seen.", reason="Asked the educator there.",
    )  # fmt: skip
    return recognising.recognise(signer=sign(walk.world.chief, brought.digest), brought=brought)


def _withdraw_recognition(walk: Walk) -> Any:
    row, reason = _recognise(walk), "It was somebody else's."
    signer = sign(walk.world.chief, recognising.withdrawal_digest(row, reason))
    return recognising.withdraw(signer=signer, recognition=row, reason=reason)


def _move_enrolment(walk: Walk) -> Any:
    row = Enrolment.objects.known().get(clinician=walk.world.cast.owner, until_day=None)
    document = propose(
        Programme, actor=walk.world.chief, unit=walk.world.cast.wards.group, procedure=row.procedure, name="Next",
        content=TERMS.to_content(), effective_on=walk.today,
    )  # fmt: skip
    approve(signer=sign(walk.world.deputy, document_digest(document)), document=document)
    found, reason = moving.check_move(row.clinician, row.procedure), "It fits who learns now."
    return moving.move(
        signer=sign(walk.world.chief, found.digest(reason)), clinician=row.clinician, procedure=row.procedure,
        reason=reason,
    )  # fmt: skip


def _import_completions(walk: Walk) -> Any:
    owner = walk.world.cast.owner
    data = (
        "Staff number,Name,Procedure,What was done,Day,Passed,Verified by\n"
        f"{owner.staff_number},{owner.name},{walk.world.procedures[0].code},Knowledge test,1/3/2026,Yes,Ed Ucator\n"
    ).encode()
    tables = completion_sheets.read_tables(read_workbook(data, name="tests.csv"))
    plan = completion_sheets.plan_import(actor=walk.world.chief, tables=tables, file=sha256(data).hexdigest())
    return completion_sheets.carry_out(signer=sign(walk.world.chief, plan.digest), plan=plan)


# Kind -> how one comes about: steps of a walk, tried until it did, or a way of its own.
WAYS: dict[str, tuple[str, ...] | Callable[[Walk], Any]] = {
    "award.extended": _extend,
    "award.made": ("award",),
    "award.renewed": ("award", "renew"),
    "certificate.revoked": ("certify", "revoke_certificate"),
    "checklist.approved": ("propose", "approve"),
    "checklist.retired": ("retire_checklist",),
    "checklist.retirement_decided": ("retire_checklist", "decide_retirement"),
    "cohort.left": ("open_cohort", "join_cohort", "leave_cohort"),
    "completions.imported": _import_completions,
    "correction.decided": ("log_and_sign", "propose_withdrawal", "decide_proposal"),
    "dispute.ruled": ("log_and_sign", "open_dispute", "rule"),
    "enrolment.moved": _move_enrolment,
    "flag.closed": ("fail_again_and_again", "review", "close_flag"),
    "founding.decided": ("enter_founding", "decide_founding"),
    "logbook.imported": ("import_sheet",),
    "observation.dispute_ruled": ("observe", "dispute_observation", "rule_observed"),
    "observation.signed": ("observe",),
    "plan.ended": ("open_plan", "end_limit"),
    "plan.extended": ("open_plan", "extend_plan"),
    "plan.made": ("open_plan",),
    "policy.changed": ("note_policy", "change_policy"),
    "policy.ended": ("note_policy", "end_policy"),
    "policy.opened": ("note_policy",),
    "programme.approved": ("propose", "approve"),
    "recognition.decided": _recognise,
    "recognition.withdrawn": _withdraw_recognition,
    "return_plan.ended": ("time_passes", "open_return_plan", "end_limit"),
    "return_plan.extended": ("time_passes", "open_return_plan", "extend_plan"),
    "return_plan.made": (
        "time_passes",
        "open_return_plan",
    ),
    "return_step.signed": ("sign_return",),
    "rules.approved": ("propose", "approve"),
    "scope.decided": ("decide_scope",),
    "scope.ended": ("decide_scope", "finish_scope"),
    "staff.imported": ("import_staff",),
    "stand_down.ended": ("stand_down", "end_limit"),
    "stand_down.made": ("stand_down",),
    "statement.signed": ("log_and_sign",),
    "statements.reconsidered": ("log_and_sign", "end_appointment", "reconsider"),
    "suspension.ended": ("suspend", "end_limit"),
    "suspension.made": ("suspend",),
    "withdrawal.made": ("withdraw_award",),
}


def made(walk: Walk, kind: str) -> Act:
    """The act of one signature of this kind, brought about by the walk."""
    way, before = WAYS[kind], Act.objects.latest("seq").seq
    for _ in range(1 if callable(way) else MOST_TRIES):
        if callable(way):
            with clock.at(walk.now):
                way(walk)
        else:
            for verb in way:
                walk.step(verb)
        found = Act.objects.filter(seq__gt=before, kind=kind).order_by("seq").last()
        if found is not None:
            return found
    raise AssertionError(f"no {kind} came about")


@pytest.fixture(scope="module")
def attested(django_db_setup: None, django_db_blocker: Any) -> dict[str, Attested]:
    """One of each kind; what it takes is rolled back, what was stored is read before."""
    found: dict[str, Attested] = {}
    with django_db_blocker.unblock(), pytest.MonkeyPatch.context() as patch, rolled_back():
        patch.setattr(clock, "_may_move", lambda: True)
        with clock.at(BEGUN):
            world = make_world()
        for kind in KINDS:
            with rolled_back():
                act = made(Walk(world, random.Random(kind)), kind)
                found[kind] = Attested(
                    act=act,
                    actor=User.objects.get(pk=act.actor_id),
                    used=Shown.objects.filter(used=act).first(),
                    organisation="Wrenfield Coast Health",
                )
    return found


@pytest.mark.std("A-14")
def test_every_place_that_signs_is_tried():
    assert sorted(places()) == sorted(PLACES)
    assert sorted(WAYS) == list(KINDS)


@pytest.mark.django_db
@pytest.mark.std("A-14")
@pytest.mark.std("A-01")
@pytest.mark.parametrize("kind", KINDS)
def test_the_act_of_a_signature_holds_organisation_user_application_kind_moment_and_record(attested, kind):
    """EHR-S FM R2.1.1, RI.1.1.4.1#01-#09, without a patient: the subject is the clinician's own record."""
    each = attested[kind]
    act, signature = each.act, each.act.facts["signature"]
    assert signature["organisation"] == each.organisation
    assert (act.actor_id, signature["printed_name"]) == (each.actor.pk, each.actor.name)
    assert signature["registration"] == each.actor.registration
    assert signature["application"] == f"Sited {SITED_VERSION}"
    told = json.loads(act.content)["act"]
    assert (told["kind"], told["actor"]) == (kind, each.actor.pk)
    assert signature["signed_at"] == instant(act.recorded_at)
    assert signature["meaning"].strip()
    assert signature["role"].strip()
    assert re.fullmatch("[0-9a-f]{64}", signature["digest"])
    assert each.used is not None
    assert (each.used.digest, each.used.user_id) == (signature["digest"], each.actor.pk)
    if kind in MANY:
        records = act.facts[MANY[kind]]
        assert records
        assert all(IDENTIFIER.fullmatch(each) for each in records)
    else:
        assert act.subject is not None
        assert told["subject"] == str(act.subject)
