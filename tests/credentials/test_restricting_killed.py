"""A decision that limits somebody, killed after each of its statements, and made by two processes at one moment."""

from datetime import date, timedelta

import pytest

from audits.models import Award, Restriction
from credentials.restricting import Decision, decide
from ledger.models import Act
from people.models import Shown, Stale
from tests.audits.conftest import confirmed, make_stage
from tests.audits.test_kill import kill_everywhere
from tests.audits.test_two_processes import heard, together
from tests.factories import SECRET, make_appointed
from tests.ledger.conftest import process as process  # the fixture

pytestmark = pytest.mark.django_db(transaction=True)
ROUNDS = 6

DECISION = """
    from audits.models import Procedure
    from credentials.restricting import Decision, decide
    from people.models import Clinician, User
    from people.signing import confirm
    about = Decision(
        clinician=Clinician.objects.get(pk={clinician}), procedure=Procedure.objects.get(pk={procedure}),
        kind={kind!r}, reason="Wrong side twice.",
    )
    signer = confirm(user=User.objects.get(pk={user}), secret={secret!r}, meaning="decided", digests=[about.digest])
    decide(signer=signer, decision=about)
"""
END = """
    from audits.models import Restriction
    from credentials.restricting import end, end_digest
    from people.models import User
    from people.signing import confirm
    row = Restriction.objects.known().get()
    digests = [end_digest(row, "Talked over.")]
    signer = confirm(user=User.objects.get(pk={user}), secret={secret!r}, meaning="ended", digests=digests)
    end(signer=signer, restriction=row, reason="Talked over.")
"""

DECIDE_AT = """
import json, sys, time
from audits.models import Procedure
from credentials.restricting import Decision, decide
from people.models import Clinician, User
from people.problems import Problems
from people.signing import confirm

user = User.objects.get(pk={user})
print("ready", flush=True)
for line in sys.stdin:
    about = Decision(
        clinician=Clinician.objects.get(pk={clinician}), procedure=Procedure.objects.get(pk=json.loads(line)),
        kind="suspension", reason="Wrong side twice.",
    )
    signer = confirm(user=user, secret={secret!r}, meaning="decided", digests=[about.digest])
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    try:
        decide(signer=signer, decision=about)
        print("decided", flush=True)
    except Problems as problems:
        print(problems.items[0].text, flush=True)
"""
END_AT = """
import json, sys, time
from audits.models import Restriction
from credentials.restricting import end, end_digest
from people.models import User
from people.problems import Problems
from people.signing import confirm

user = User.objects.get(pk={user})
print("ready", flush=True)
for line in sys.stdin:
    row = Restriction.objects.get(pk=json.loads(line))
    digests = [end_digest(row, "Talked over.")]
    signer = confirm(user=user, secret={secret!r}, meaning="ended", digests=digests)
    print("confirmed", flush=True)
    moment = float(sys.stdin.readline())
    while time.time() < moment:
        pass
    try:
        end(signer=signer, restriction=row, reason="Talked over.")
        print("ended", flush=True)
    except Problems as problems:
        print(problems.items[0].text, flush=True)
"""


@pytest.fixture
def stage():
    return make_stage(expires_on=date(2100, 1, 1), months=900)


def counted():
    """Versions of restrictions and of awards, acts, what waits to be judged again, and signatures used."""
    used = Shown.objects.filter(used__isnull=False)
    models = (Restriction.objects, Award.objects, Act.objects, Stale.objects, used)
    return tuple(each.count() for each in models)


@pytest.mark.std("A-16")
def test_who_withdraws_an_award_and_is_killed_leaves_the_whole_decision_or_nothing(stage, process):
    before = counted()

    def state():
        return tuple(now - then for now, then in zip(counted(), before, strict=True))

    work = DECISION.format(
        clinician=stage.holder.pk, procedure=stage.procedure.pk, kind="withdrawal", user=stage.cast.educator.pk,
        secret=SECRET,
    )  # fmt: skip
    # The award that stood is kept as it was known, and one that ended follows it. Both facts touch the outbox.
    places = kill_everywhere(process, work, state, before=(0, 0, 0, 0, 0), after=(1, 1, 1, 2, 1))
    assert places > 20
    assert not Award.objects.known().filter(until_day=None).exists()


@pytest.mark.std("A-16")
def test_who_reinstates_and_is_killed_leaves_the_suspension_or_its_end(stage, process):
    about = Decision(clinician=stage.holder, kind="suspension", reason="Wrong side twice.", procedure=stage.procedure)
    decide(signer=confirmed(stage.cast.educator, about.digest), decision=about)
    before = counted()

    def state():
        return tuple(now - then for now, then in zip(counted(), before, strict=True))

    work = END.format(user=stage.cast.educator.pk, secret=SECRET)
    places = kill_everywhere(process, work, state, before=(0, 0, 0, 0, 0), after=(1, 0, 1, 1, 1))
    assert places > 20


def two(process, work, stage, **named):
    """Two educators, each in a process of their own."""
    other = make_appointed("educator", stage.cast.wards.department, "Ot Her")
    pair = [process(work.format(user=user.pk, secret=SECRET, **named)) for user in (stage.cast.educator, other)]
    assert [heard(one) for one in pair] == ["ready", "ready"]
    return pair


@pytest.mark.std("A-09")
def test_two_educators_who_suspend_somebody_at_one_moment_make_one_suspension_and_then_one_end(stage, process):
    deciders = two(process, DECIDE_AT, stage, clinician=stage.holder.pk)
    enders = [process(END_AT.format(user=stage.cast.educator.pk, secret=SECRET)) for _ in range(2)]
    assert [heard(one) for one in enders] == ["ready", "ready"]
    for number in range(ROUNDS):
        said = together(deciders, (stage.procedure.pk, stage.procedure.pk))
        assert sorted(said) == sorted(["decided", f"{stage.holder.name} is suspended already."]), f"round {number}"
        row = Restriction.objects.known().filter(until_day=None).get()
        ended = together(enders, (row.pk, row.pk))
        told = "This was ended or changed meanwhile: look at it again."
        assert sorted(ended) == sorted([told, "ended"]), f"round {number}"
    kinds = list(Act.objects.filter(kind__startswith="suspension").values_list("kind", flat=True).order_by("seq"))
    assert kinds == ["suspension.made", "suspension.ended"] * ROUNDS
    assert all(row.until_day - row.from_day == timedelta(0) for row in Restriction.objects.known())
