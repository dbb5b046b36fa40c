"""Several writers at once, and one that dies, on the engine's real locks."""

import signal
import threading
import time

import pytest
from django.db import connection

from ledger.acts import head, recording
from ledger.models import Act
from ledger.verify import verify
from people.models import Place

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.std("A-17")]

WRITE_MANY = """
import sys
from ledger.acts import recording
print("ready", flush=True)
sys.stdin.readline()
for number in range(25):
    with recording(actor=None, kind="test.noted") as rec:
        rec.content["writer"], rec.content["number"] = {writer}, number
"""

WRITE_AND_WAIT = """
import sys
from ledger.acts import recording
from people.models import Place, Unit
unit = Unit.objects.create(level="ward")
with recording(actor=None, kind="unit.opened") as rec:
    Place.objects.create(unit=unit, name="Ward 1", zone="UTC", known_from_id=rec.seq)
    print("inside", flush=True)
    sys.stdin.readline()
"""


def test_two_processes_writing_at_once_make_one_chain_without_a_gap(process):
    writers = [process(WRITE_MANY.format(writer=writer)) for writer in (1, 2)]
    for writer in writers:
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    for writer in writers:
        writer.communicate(timeout=120)
        assert writer.returncode == 0

    facts = [act.facts for act in Act.objects.order_by("seq")]
    assert head() == len(facts) == 50
    for name in (1, 2):
        assert [fact["number"] for fact in facts if fact["writer"] == name] == list(range(25))
    assert verify().holds


def test_the_chain_can_be_verified_while_others_write(process):
    writer = process(WRITE_MANY.format(writer=1))
    assert writer.stdout.readline() == "ready\n"
    writer.stdin.write("go\n")
    writer.stdin.flush()
    seen = []
    while writer.poll() is None:
        report = verify()
        assert report.problems == ()
        seen.append(report.acts)
    writer.communicate()
    assert seen == sorted(seen)
    assert verify().acts == 25


def test_four_threads_writing_at_once_make_one_chain_without_a_gap():
    start = threading.Barrier(4)
    failed = []

    def write():
        try:
            start.wait()
            for _ in range(10):
                with recording(actor=None, kind="test.noted"):
                    pass
        except Exception as error:
            failed.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=write, daemon=True) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert list(Act.objects.order_by("seq").values_list("seq", flat=True)) == list(range(1, 41))
    times = list(Act.objects.order_by("seq").values_list("recorded_at", flat=True))
    assert times == sorted(times), "the order of numbers is the order of time"
    assert verify().holds


def test_a_second_writer_waits_for_the_first_and_takes_the_next_number(process):
    first = process(WRITE_AND_WAIT)
    assert first.stdout.readline() == "inside\n"
    numbers = []

    def write():
        try:
            with recording(actor=None, kind="test.noted") as rec:
                numbers.append(rec.seq)
        finally:
            connection.close()

    second = threading.Thread(target=write, daemon=True)
    second.start()
    time.sleep(0.3)
    assert numbers == [], "it must not take a number while another holds the head"
    first.communicate("end\n", timeout=30)
    second.join(timeout=30)
    assert numbers == [2]
    assert verify().holds


def test_a_writer_killed_in_the_middle_leaves_nothing_and_blocks_nobody(process):
    writer = process(WRITE_AND_WAIT)
    assert writer.stdout.readline() == "inside\n"
    writer.send_signal(signal.SIGKILL)
    writer.communicate()
    with recording(actor=None, kind="test.noted") as rec:
        pass
    assert rec.seq == head() == Act.objects.get().seq == 1
    assert not Place.objects.exists()
    assert verify().holds
