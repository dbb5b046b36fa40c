"""SIGKILL after each SQL statement in turn, of logging, signing and correcting: all of a write or nothing of it.

One process of its own forks a child for each place; the child counts its statements and kills itself after the n-th.
"""

import json
from dataclasses import replace
from datetime import date

import pytest

from audits.corrections import correct, digest_of_proposal
from audits.entry import sent
from audits.integrity import altered
from audits.logbook import record_insertion
from audits.models import Attempt, Insertion, Outcome, Proposal, Statement
from audits.outcomes import wrong
from audits.versions import entry_of as said_in
from ledger.models import Act
from ledger.verify import verify
from people.models import Shown, Stale
from tests.audits.conftest import FAILED, an_hour_ago, entry_of, make_stage
from tests.factories import SECRET
from tests.ledger.conftest import process as process  # the fixture

pytestmark = pytest.mark.django_db(transaction=True)

HARNESS = """
import os, signal, sys
from django.db import connection

def run(work, last):
    # A child that does the work and dies right after its statement number `last`, which 0 spares.
    done = 0
    def count(execute, *args):
        nonlocal done
        result = execute(*args)
        done += 1
        if done == last:
            os.kill(os.getpid(), signal.SIGKILL)
        return result
    with connection.execute_wrapper(count):
        work()

def work():
{work}

number = 0
for line in sys.stdin:
    number += 1
    child = os.fork()
    if not child:
        try:
            run(work, number)
        except BaseException as error:
            print("failed", repr(error), flush=True)
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    print("killed" if os.WIFSIGNALED(status) else f"ended {{os.WEXITSTATUS(status)}}", flush=True)
"""

LOG = """
    import json
    from uuid import UUID
    from audits.entry import entry_from
    from audits.logbook import record_insertion
    from people.models import User
    record_insertion(actor=User.objects.get(pk={user}), entry=entry_from(UUID({uuid!r}), json.loads({said!r})))
"""

SIGN = """
    from audits.countersigning import Answer, answer_many
    from people.models import User
    from people.signing import confirm
    user = User.objects.get(pk={user})
    signer = confirm(user=user, secret={secret!r}, meaning="countersigned", digests={digests!r})
    for report in answer_many(signer=signer, answers=[Answer(each, "in_room") for each in {insertions!r}]):
        assert report.statement or "answered already" in report.problem, report
"""

DECIDE = """
    from audits.corrections import decide
    from audits.models import Proposal
    from people.models import User
    from people.signing import confirm
    user = User.objects.get(pk={user})
    signer = confirm(user=user, secret={secret!r}, meaning="agreed", digests=[{digest!r}])
    decide(signer=signer, proposal=Proposal.objects.get(pk={proposal}), agree=True, nearness="in_room")
"""


@pytest.fixture
def today():
    return make_stage(expires_on=date(2100, 1, 1), months=900)


def logged(today):
    entry = entry_of(today.owner, today.ward, today.supervisor, performed=an_hour_ago(), fold=0)
    return record_insertion(actor=today.owner.user, entry=entry)


def holds():
    return verify().holds


def kill_everywhere(process, work, state, *, before, after, holds=holds):
    """Kill after every statement; the state must be `before`, or `after` from then on. Returns at how many places."""
    harness = process(HARNESS.format(work=work))
    places = 0
    seen = before
    while True:
        harness.stdin.write("next\n")
        harness.stdin.flush()
        said = harness.stdout.readline().strip()
        assert said in ("killed", "ended 0"), said
        now = state()
        assert now in ([before, after] if seen == before else [after]), f"after statement {places + 1}"
        seen = now
        assert holds()
        assert wrong() == []
        assert not list(altered())
        if seen == after:
            return places
        assert said == "killed", "it ended and left nothing"
        places += 1


def test_a_logger_killed_anywhere_leaves_the_whole_entry_or_nothing(today, process):
    entry = entry_of(
        today.owner, today.ward, today.supervisor, performed=an_hour_ago(), fold=0, attempts=(FAILED, FAILED)
    )
    acts, stale = Act.objects.count(), Stale.objects.count()

    def state():
        return (
            Insertion.objects.count(),
            Attempt.objects.count(),
            Outcome.objects.count(),
            Act.objects.count() - acts,
            Stale.objects.count() - stale,
        )

    work = LOG.format(user=today.owner.user.pk, uuid=str(entry.uuid), said=json.dumps(sent(entry)))
    places = kill_everywhere(process, work, state, before=(0, 0, 0, 0, 0), after=(1, 2, 1, 1, 1))
    assert places > 15


def test_a_signer_killed_anywhere_leaves_whole_signatures_only(today, process):
    entries = [logged(today), logged(today)]
    acts = Act.objects.count()

    def state():
        signed = Act.objects.count() - acts
        assert signed == Statement.objects.count() == Outcome.objects.filter(credit=1).count()
        assert signed == Shown.objects.filter(used__isnull=False).count()
        return signed == 2

    work = SIGN.format(
        user=today.supervisor.pk,
        secret=SECRET,
        digests=[each.digest for each in entries],
        insertions=[each.pk for each in entries],
    )
    places = kill_everywhere(process, work, state, before=False, after=True)
    assert places > 30


def test_who_agrees_to_a_correction_and_is_killed_leaves_the_old_version_or_the_new_one_signed(today, process):
    first = logged(today)
    proposal = correct(actor=today.owner.user, insertion=first, entry=_failed(first), reason="It had to be done twice.")
    assert isinstance(proposal, Proposal)
    acts = Act.objects.count()

    def state():
        standing = Insertion.objects.known().get()
        return (
            standing.version,
            Insertion.objects.count(),
            Attempt.objects.count(),
            Statement.objects.count(),
            Proposal.objects.filter(decided=None).count(),
            Act.objects.count() - acts,
            Outcome.objects.get().insertion == standing.pk,
        )

    work = DECIDE.format(
        user=today.supervisor.pk, secret=SECRET, digest=digest_of_proposal(proposal), proposal=proposal.pk
    )
    places = kill_everywhere(process, work, state, before=(1, 1, 1, 0, 1, 0, True), after=(2, 2, 3, 1, 0, 1, True))
    assert places > 30


def _failed(insertion):
    return replace(said_in(insertion), attempts=(FAILED, FAILED))
