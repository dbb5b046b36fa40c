"""Two processes that sign one entry at the same moment: one wins, the other is told. So with one entry logged twice."""

import json
import time
from datetime import date
from uuid import uuid4

import pytest

from audits.entry import sent
from audits.logbook import record_insertion
from audits.models import Attempt, Insertion, Outcome, Statement
from audits.outcomes import wrong
from ledger.models import Act
from ledger.verify import verify
from people.models import Shown
from tests.audits.conftest import an_hour_ago, entry_of, make_stage
from tests.factories import SECRET
from tests.ledger.conftest import process as process  # the fixture

pytestmark = pytest.mark.django_db(transaction=True)
ROUNDS = 50

# Both read a line with the moment at which they go; until then they spin, so that they go together.
SIGN = """
import json, sys, time
from audits.countersigning import AlreadyDecided, accept_on_other_evidence, countersign
from audits.models import Insertion
from people.models import User
from people.signing import confirm

user = User.objects.get(pk={user})
print("ready", flush=True)
for line in sys.stdin:
    told = json.loads(line)
    insertion = Insertion.objects.get(pk=told["insertion"])
    signer = confirm(user=user, secret={secret!r}, meaning="countersigned", digests=[insertion.digest])
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    try:
        if told["how"] == "evidence":
            accept_on_other_evidence(signer=signer, insertion=insertion, note="Ward book")
        else:
            countersign(signer=signer, insertion=insertion, nearness=told["how"])
        print("signed", flush=True)
    except AlreadyDecided:
        print("told", flush=True)
"""

LOG = """
import json, sys, time
from uuid import UUID
from audits.entry import entry_from
from audits.logbook import record_insertion
from people.models import User

user = User.objects.get(pk={user})
print("ready", flush=True)
for line in sys.stdin:
    told = json.loads(line)
    entry = entry_from(UUID(told["uuid"]), told["said"])
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    print(record_insertion(actor=user, entry=entry).pk, flush=True)
"""


def tell(one, text):
    one.stdin.write(f"{text}\n")
    one.stdin.flush()


def heard(one):
    return one.stdout.readline().strip()


def together(pair, tasks):
    """Give both their tasks, let them go at one moment, and return what each says."""
    for one, task in zip(pair, tasks, strict=True):
        tell(one, json.dumps(task))
    assert [heard(one) for one in pair] == ["confirmed", "confirmed"]
    moment = time.time() + 0.02
    for one in pair:
        tell(one, repr(moment))
    return [heard(one) for one in pair]


@pytest.fixture
def today():
    return make_stage(expires_on=date(2100, 1, 1), months=900)


@pytest.mark.std("A-09")
def test_of_two_processes_that_sign_one_entry_one_wins_and_the_other_is_told(today, process):
    entries = [
        record_insertion(
            actor=today.owner.user,
            entry=entry_of(today.owner, today.ward, today.supervisor, performed=an_hour_ago(), fold=0),
        )
        for _ in range(ROUNDS)
    ]
    pair = [process(SIGN.format(user=user.pk, secret=SECRET)) for user in (today.supervisor, today.supervisor)]
    educator = process(SIGN.format(user=today.cast.educator.pk, secret=SECRET))
    assert [heard(one) for one in (*pair, educator)] == ["ready"] * 3
    before = Act.objects.count()
    for number, entry in enumerate(entries):
        # In turn: the same supervisor from two devices, and the supervisor against an educator.
        second, how = (pair[1], "nearby") if number % 2 else (educator, "evidence")
        said = together(
            (pair[0], second), ({"insertion": entry.pk, "how": "in_room"}, {"insertion": entry.pk, "how": how})
        )
        assert sorted(said) == ["signed", "told"], f"round {number}"
    assert Act.objects.count() == before + ROUNDS
    assert Statement.objects.known().count() == Statement.objects.count() == ROUNDS
    assert Shown.objects.filter(used__isnull=False).count() == ROUNDS
    assert Outcome.objects.filter(credit__gt=0).count() == ROUNDS
    assert wrong() == []
    assert verify().holds


def test_one_entry_sent_by_two_processes_at_once_is_stored_once(today, process):
    pair = [process(LOG.format(user=today.owner.user.pk)) for _ in range(2)]
    assert [heard(one) for one in pair] == ["ready", "ready"]
    before = Act.objects.count()
    said = sent(entry_of(today.owner, today.ward, today.supervisor, performed=an_hour_ago(), fold=0))
    for number in range(20):
        task = {"uuid": str(uuid4()), "said": said}
        answers = together(pair, (task, task))
        assert answers[0] == answers[1], f"round {number}: both are told the one that is stored"
    assert (Insertion.objects.count(), Attempt.objects.count(), Outcome.objects.count()) == (20, 20, 20)
    assert Act.objects.count() == before + 20
    assert verify().holds
