"""Two devices at one observation at the same moment: no tick is lost, one signature wins, the other side is told."""

from datetime import date
from uuid import uuid4

import pytest

from audits.models import Observation, ObservationDraft
from audits.observation_content import check
from ledger.models import Act
from people.models import Shown
from tests.audits.observed import STEP_KEYS, begun, make_watched, marks, problems, ticked
from tests.audits.test_two_processes import heard, together
from tests.factories import SECRET
from tests.ledger.conftest import process as process  # the fixture

pytestmark = pytest.mark.django_db(transaction=True)
ROUNDS = 12

BEGIN = """
import json, sys, time
from uuid import UUID
from audits.models import Procedure
from audits.observing import begin
from people.models import Clinician, Unit, User

user, clinician = User.objects.get(pk={user}), Clinician.objects.get(pk={clinician})
procedure, unit = Procedure.objects.get(pk={procedure}), Unit.objects.get(pk={unit})
print("ready", flush=True)
for line in sys.stdin:
    uuid = UUID(json.loads(line))
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    made = begin(
        actor=user, uuid=uuid, clinician=clinician, procedure=procedure, unit=unit, purpose="decision",
        setting="patient",
    )
    print(made.pk, flush=True)
"""

SAVE = """
import json, sys, time
from audits.models import Observation
from audits.observing import AlreadySigned, ChangedElsewhere, save
from people.models import User

user = User.objects.get(pk={user})
print("ready", flush=True)
for line in sys.stdin:
    told = json.loads(line)
    row = Observation.objects.get(pk=told["observation"])
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    try:
        save(user=user, observation=row, changes=told["changes"], revision=told.get("revision"))
        print("saved", flush=True)
    except ChangedElsewhere:
        print("told", flush=True)
    except AlreadySigned:
        print("too late", flush=True)
"""

SIGN = """
import json, sys, time
from audits.models import Observation
from audits.observing import AlreadySigned, check, sign
from people.models import User
from people.signing import NotConfirmed, confirm

user = User.objects.get(pk={user})
print("ready", flush=True)
for line in sys.stdin:
    row = Observation.objects.get(pk=json.loads(line)["observation"])
    signer = confirm(user=user, secret={secret!r}, meaning="observed, as shown", digests=[check(row).digest])
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    try:
        sign(signer=signer, observation=row)
        print("signed", flush=True)
    except AlreadySigned:
        print("told", flush=True)
    except NotConfirmed:
        print("changed", flush=True)
"""


@pytest.fixture
def stage():
    return make_watched(expires_on=date(2100, 1, 1), months=900)


def devices(process, *works, **named):
    found = [process(work.format(**named)) for work in works]
    assert [heard(one) for one in found] == ["ready"] * len(works)
    return found


@pytest.mark.std("F-06")
def test_one_form_sent_by_two_devices_at_once_begins_one_observation(stage, process):
    pair = devices(
        process, BEGIN, BEGIN, user=stage.assessor.pk, clinician=stage.learner.pk, procedure=stage.procedure.pk,
        unit=stage.ward.pk,
    )  # fmt: skip
    for number in range(ROUNDS):
        uuid = str(uuid4())
        answers = together(pair, (uuid, uuid))
        assert answers[0] == answers[1] != "", f"round {number}: both are told the one that was begun"
    assert Observation.objects.count() == ObservationDraft.objects.count() == ROUNDS
    assert Act.objects.filter(kind="observation.begun").count() == ROUNDS
    assert problems() == []


def test_ticks_of_two_devices_at_once_are_all_kept(stage, process):
    pair = devices(process, SAVE, SAVE, user=stage.assessor.pk)
    for number in range(ROUNDS):
        made = begun(stage)
        one, other = {key: {"mark": "met"} for key in STEP_KEYS[:2]}, {key: {"mark": "met"} for key in STEP_KEYS[2:]}
        said = together(pair, [{"observation": made.pk, "changes": {"marks": each}} for each in (one, other)])
        assert said == ["saved", "saved"], f"round {number}"
        draft = ObservationDraft.objects.get(observation=made)
        assert (draft.content["marks"], draft.revision) == ({**one, **other}, 3), f"round {number}"


def test_of_two_devices_that_saw_the_same_one_saves_and_the_other_is_told(stage, process):
    pair = devices(process, SAVE, SAVE, user=stage.assessor.pk)
    for number in range(ROUNDS):
        made = begun(stage)
        tasks = [
            {"observation": made.pk, "changes": {"marks": {"hands": {"mark": each}}}, "revision": 1}
            for each in ("met", "not_met")
        ]
        said = together(pair, tasks)
        assert sorted(said) == ["saved", "told"], f"round {number}"
        kept = ObservationDraft.objects.get(observation=made).content["marks"]["hands"]["mark"]
        assert kept == ("met", "not_met")[said.index("saved")], f"round {number}"


@pytest.mark.std("A-09")
def test_of_two_devices_that_sign_one_observation_one_wins_and_the_other_is_told(stage, process):
    pair = devices(process, SIGN, SIGN, user=stage.assessor.pk, secret=SECRET)
    for number in range(ROUNDS):
        made = ticked(begun(stage))
        task = {"observation": made.pk}
        assert sorted(together(pair, (task, task))) == ["signed", "told"], f"round {number}"
    assert Act.objects.filter(kind="observation.signed").count() == ROUNDS
    assert Shown.objects.filter(used__isnull=False).count() == ROUNDS
    assert not ObservationDraft.objects.exists()
    assert problems() == []


@pytest.mark.std("A-03")
def test_a_tick_that_comes_while_it_is_signed_is_in_what_is_signed_anew_or_too_late(stage, process):
    saver, signer = devices(process, SAVE, SIGN, user=stage.assessor.pk, secret=SECRET)
    for number in range(ROUNDS):
        made = ticked(begun(stage))
        shown = check(made).content
        changes = {"marks": {"flush": {"mark": "not_met"}}}
        said = together((saver, signer), ({"observation": made.pk, "changes": changes}, {"observation": made.pk}))
        assert said in (["saved", "changed"], ["too late", "signed"]), f"round {number}"
        made.refresh_from_db()
        if said[1] == "signed":
            assert made.content == shown, f"round {number}"
        else:
            assert made.signed_id is None
            assert made.draft.content["marks"] == marks(flush="not_met"), f"round {number}"
    assert problems() == []
