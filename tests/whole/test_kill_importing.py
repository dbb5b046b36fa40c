"""SIGKILL after each SQL statement that writes, of importing a logbook and a staff list: all of a sheet or nothing.

Logging, signing and correcting are killed in `tests/audits/test_kill.py`. A death between two reads is the same as one
after the write before them, and an import reads much: so only what is no SELECT counts here.
"""

from base64 import b64encode
from datetime import date

import pytest

from audits.integrity import altered
from audits.models import Attempt, Insertion, Outcome, Proposal, Sheet
from audits.outcomes import wrong
from credentials.models import Enrolment, Founding
from ledger.models import Act
from ledger.verify import verify
from people.models import Clinician, Placement, Shown, Stale, Unit, User
from tests.audits.conftest import make_stage
from tests.factories import SECRET, AppointmentFactory
from tests.ledger.conftest import process as process  # the fixture

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.std("A-16")]

# Everything is loaded once; then each line from the test is a child, which dies after one write more than the last.
HARNESS = """
import os, signal, sys
from base64 import b64decode
from hashlib import sha256
from django.db import connection
from audits import logbook_sheets
from credentials import staff_sheets
from people.models import User
from people.signing import confirm
from sheets.reading import read_workbook

def run(last):
    done = 0
    def count(execute, sql, *args):
        nonlocal done
        result = execute(sql, *args)
        done += not sql.lstrip().upper().startswith("SELECT")
        if done == last:
            os.kill(os.getpid(), signal.SIGKILL)
        return result
    with connection.execute_wrapper(count):
        work()

def work():
{work}

for number, line in enumerate(sys.stdin, start=1):
    child = os.fork()
    if not child:
        try:
            run(number)
        except BaseException as error:
            print("failed", repr(error), flush=True)
            os._exit(1)
        os._exit(0)
    _, status = os.waitpid(child, 0)
    print("killed" if os.WIFSIGNALED(status) else f"ended {{os.WEXITSTATUS(status)}}", flush=True)
"""
LOGBOOK = """
    from audits.logbook_sheets import MEANING, carry_out, plan_import, read_tables
    data = b64decode({data!r})
    user = User.objects.get(pk={user})
    tables = read_tables(read_workbook(data, name="sheet.csv"))
    plan = plan_import(actor=user, tables=tables, file=sha256(data).hexdigest(), days=None)
    if plan.has_work:
        signer = confirm(user=user, secret={secret!r}, meaning=MEANING, digests=[plan.digest])
        carry_out(signer=signer, plan=plan)
"""
STAFF = """
    from credentials.staff_sheets import MEANING, carry_out, read_tables, rehearse
    data = b64decode({data!r})
    user = User.objects.get(pk={user})
    tables = read_tables(read_workbook(data, name="sheet.csv"))
    plan = rehearse(actor=user, tables=tables, file=sha256(data).hexdigest())
    if plan.has_work:
        signer = confirm(user=user, secret={secret!r}, meaning=MEANING, digests=[plan.digest])
        carry_out(signer=signer, plan=plan)
"""
ROWS = """Staff number,Unit,Date,Time,Patient group,Result,Attempts,Gauge,Site,Serious events,Supervisor
{number},Saltmarsh Hospital / Medicine / Ward 4 Tern,3/02/2026,09:10,Adult,First time,1,20G,L forearm,none,Su Pervisor
{number},Saltmarsh Hospital / Medicine / Ward 4 Tern,4/02/2026,11:35,Adult,Failed,2,22G,R hand,none,Su Pervisor
"""
PEOPLE = """Staff number,Name,Profession,Unit,From,Holds,Awarded on,Evidence,Kept at
S1,Ne Wer,Registered nurse,Saltmarsh Hospital / Ward 9 Dunlin,1/02/2026,,,,
S2,Hol Der,Registered nurse,Saltmarsh Hospital / Ward 9 Dunlin,1/02/2026,{code},3/02/2026,Letter,Office
"""


def killed_everywhere(process, work, state, *, most):
    """Kill after the first write and then after ever later ones, until one import ends well.

    After each the register is as before or as after, never between, and holds. Returns both, and at how many places.
    """
    before = state()
    harness = process(HARNESS.format(work=work))
    seen, places = before, 0
    while places < most:
        harness.stdin.write("next\n")
        harness.stdin.flush()
        said = harness.stdout.readline().strip()
        assert said in ("killed", "ended 0"), said
        places += 1
        now = state()
        if now != before:
            assert seen in (before, now), f"after statement {places}: another state again"
        else:
            assert seen == before, f"after statement {places}: what was there is gone"
            assert said == "killed", "it ended well and left nothing"
        seen = now
        assert verify().problems == (), f"after statement {places}"
        if said == "ended 0":
            return before, now, places
    raise AssertionError(f"it never ended in {most} places")


@pytest.fixture
def stage():
    return make_stage(expires_on=date(2100, 1, 1), months=900)


def counts(*models):
    return tuple(model._base_manager.count() for model in models)


def test_an_importer_of_a_logbook_killed_anywhere_leaves_the_whole_sheet_or_nothing(stage, process):
    data = b64encode(ROWS.format(number=stage.owner.staff_number).encode()).decode()
    work = LOGBOOK.format(data=data, user=stage.cast.educator.pk, secret=SECRET)

    def state():
        used = Shown.objects.exclude(used=None).count()
        return (*counts(Sheet, Insertion, Attempt, Outcome, Proposal, Act, Stale), used)

    before, after, places = killed_everywhere(process, work, state, most=120)
    assert [b - a for a, b in zip(before, after, strict=True)][:6] == [1, 2, 3, 2, 0, 1]
    assert places > 5
    assert wrong() == []
    assert list(altered()) == []


def test_an_importer_of_a_staff_list_killed_anywhere_leaves_the_whole_list_or_nothing(stage, process):
    data = b64encode(PEOPLE.format(code=stage.procedure.code).encode()).decode()
    user = stage.cast.administrator
    AppointmentFactory(user=user, role="educator", unit=stage.cast.wards.group)
    work = STAFF.format(data=data, user=user.pk, secret=SECRET)

    def state():
        return counts(Unit, User, Clinician, Placement, Enrolment, Founding, Act)

    before, after, places = killed_everywhere(process, work, state, most=400)
    assert [b - a for a, b in zip(before, after, strict=True)] == [1, 0, 2, 2, 0, 1, 1]
    assert places > 30
