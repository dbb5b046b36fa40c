# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""One person's full file as data, and the script that checks it without the register.

Hashes: SHA-256 (FIPS 180-4); canonical text: RFC 8785, JSON Canonicalization Scheme (Rundgren et al., 2020), within
strings and whole numbers. That one clinician's whole file goes out human and machine readable: 21 CFR 11.10(b).
"""

import copy
import hashlib
import io
import json
import subprocess
import sys
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audits import corrections, reconsidering
from audits.awards import end_award
from audits.models import Award
from credentials import recognising, referring
from credentials.papers import evidence, making, verifier
from credentials.recognising import Brought
from credentials.restricting import MEANING, Decision, decide
from ledger.acts import recording
from ledger.canonical import canonical, digest
from ledger.models import Head
from people.access import access_of
from tests.audits.conftest import entry_of
from tests.credentials.conftest import sign
from tests.credentials.test_life import make_award
from tests.credentials.test_papers import text_of
from tests.factories import FlagFactory, SignedObservationFactory

pytestmark = pytest.mark.django_db
SCRIPT = Path(verifier.__file__)
QUICK = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture
def told(stage):
    """The learner's file: learnt, corrected once, awarded, stood down."""
    stage.ready_to_learn(date(2026, 1, 5))
    stage.ten_insertions(datetime(2026, 1, 12, 10, 0))
    made = stage.log(datetime(2026, 1, 30, 10, 0), signed=False)
    corrections.correct(
        actor=stage.learner.user,
        insertion=made,
        entry=entry_of(
            stage.learner, stage.ward, stage.supervisors[0], uuid=made.uuid, performed=datetime(2026, 1, 30, 11, 0)
        ),
        reason="It was an hour later.",
    )
    make_award(stage)
    decision = Decision(clinician=stage.learner, kind="stand_down", reason="Two wrong-side sticks this morning.")
    decide(signer=sign(stage.educator, decision.digest, meaning=MEANING[decision.kind]), decision=decision)
    return stage


@pytest.fixture
def decided(told):
    """More of the same: a recognition withdrawn, a case shown to the manager, signatures looked at again."""
    brought = Brought(
        clinician=told.learner, procedure=told.procedure, outcome="part", insertions=2, origin="Marrick Valley Health",
        evidence="Certificate seen, copy in the file.", reason="Asked the educator there.",
    )  # fmt: skip
    row = recognising.recognise(signer=sign(told.educator, brought.digest), brought=brought)
    digest = recognising.withdrawal_digest(row, "It was somebody else's.")
    recognising.withdraw(signer=sign(told.educator, digest), recognition=row, reason="It was somebody else's.")
    flag = FlagFactory(clinician=told.learner, procedure=told.procedure)
    referring.refer(actor=told.educator, flag=flag, to=told.cast.manager, reason="What would you do?")
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, Award.objects.known().get(clinician__user=told.supervisors[0]), date(2026, 1, 1))
    found = [each.statement for each in reconsidering.in_question(access_of(told.educator))]
    assert len(found) == 5
    for outcome, rows in (("struck", found), ("counts", found[:2])):
        digest = reconsidering.decision_digest(rows, outcome, "Compared with the ward's list.")
        signer = sign(told.educator, digest)
        reconsidering.decide(signer=signer, statements=rows, outcome=outcome, reason="Compared with the ward's list.")
    return told


def file_of(stage, user=None):
    access = access_of(user or stage.learner.user)
    return evidence.evidence_of(access, stage.learner, made_at="2026-03-02T03:00:00.000000Z", by="Somebody")


def found(file, **noted):
    return list(verifier.problems(evidence.sealed(file).encode(), **noted))


def run(path, *more):
    return subprocess.run(
        [sys.executable, "-I", "-S", str(SCRIPT), str(path), *more], capture_output=True, text=True, check=False
    )


@pytest.mark.std("A-20")
def test_the_file_holds_and_the_script_says_so_without_the_register(told, tmp_path):
    file = file_of(told)
    assert len(file["entries"]) == 12  # one of them corrected
    assert len(file["statements"]) == 10
    assert [each["said"]["kind"] for each in file["awards"]] == ["award"]
    assert file["standings"][0]["body"]["status"] == "stood_down"
    path = tmp_path / "file.json"
    path.write_text(evidence.sealed(file), encoding="utf-8")
    done = run(path)
    assert done.stdout.startswith("Everything in this file holds:"), done.stdout + done.stderr
    assert done.returncode == 0
    head = Head.objects.get()
    assert run(path, "--head", str(head.seq), head.hash).returncode == 0
    assert run(path, "--head", str(head.seq), "0" * 64).returncode == 1
    assert run(path, "--seal", "0" * 64).returncode == 1
    assert run(tmp_path / "nowhere.json").returncode == 2
    assert "Traceback" not in run(SCRIPT).stderr
    assert run(SCRIPT).returncode == 1


@pytest.mark.std("A-20")
def test_the_script_takes_one_altered_byte_for_what_it_is(told, tmp_path):
    text = evidence.sealed(file_of(told)).encode()
    path = tmp_path / "file.json"
    for place in (text.index(b"Two wrong-side"), text.index(b'"hash":"') + 9, text.rindex(b'"seal":"') + 9):
        path.write_bytes(text[:place] + (b"x" if text[place : place + 1] != b"x" else b"y") + text[place + 1 :])
        done = run(path)
        assert (done.returncode, "Traceback" in done.stderr) == (1, False), text[place : place + 30]


@pytest.mark.std("A-20")
def test_no_byte_at_any_place_can_be_another_one(told):
    text = evidence.sealed(file_of(told)).encode()

    @QUICK
    @given(st.integers(0, len(text) - 1), st.integers(1, 255))
    def altered(place, by):
        changed = bytearray(text)
        changed[place] ^= by
        try:
            wrong = list(verifier.problems(bytes(changed)))
        except (ValueError, KeyError, TypeError, AttributeError):
            return
        assert wrong != []

    altered()


def leaves(value, path=()):
    """Every text that is evidence: (path, text)."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*path, key))
    elif isinstance(value, list):
        for place, item in enumerate(value):
            yield from leaves(item, (*path, place))
    elif isinstance(value, str) and value:
        yield path, value


PROVEN = ("content", "digest", "told", "signature", "said", "body", "salt", "hash")


def is_proven(path):
    """What acts vouch for: the text of acts and what is compared with it. The rest only the seal covers."""
    if path[0] not in ("acts", *verifier.SECTIONS):
        return False
    # An act named by its hash alone shows nothing about itself.
    return any(part in PROVEN for part in path[2:])


def test_who_makes_the_seal_anew_still_cannot_change_what_the_acts_vouch_for(told):
    file = file_of(told)
    whole = {each["seq"] for each in file["acts"] if each["content"] is not None}
    texts = [
        (path, text)
        for path, text in leaves(file)
        if is_proven(path)
        and not (path[0] == "acts" and file["acts"][path[1]]["seq"] not in whole)
        and not (path[0] == "documents" and file["documents"][path[1]]["act"] not in whole)
    ]
    assert len(texts) > 200

    @QUICK
    @given(st.sampled_from(texts), st.data())
    def altered(chosen, data):
        path, text = chosen
        place = data.draw(st.integers(0, len(text) - 1))
        changed = copy.deepcopy(file)
        holder = changed
        for part in path[:-1]:
            holder = holder[part]
        holder[path[-1]] = text[:place] + ("x" if text[place] != "x" else "y") + text[place + 1 :]
        try:
            wrong = found(changed)
        except (ValueError, KeyError, TypeError, AttributeError):
            return
        assert wrong != [], path

    altered()


@pytest.mark.parametrize("section", ["entries", "statements", "awards", "restrictions"])
def test_what_an_act_brought_in_cannot_be_left_out(told, section):
    file = file_of(told)
    del file[section][-1]
    assert any("is missing" in each or "is not the one in this file" in each for each in found(file))


def test_acts_that_follow_one_another_are_linked_and_in_order(told):
    file = file_of(told)
    numbers = [each["seq"] for each in file["acts"]]
    assert numbers == sorted(numbers)
    pairs = [place for place, seq in enumerate(numbers) if place and numbers[place - 1] == seq - 1]
    assert pairs
    act = file["acts"][pairs[0] - 1]
    said = json.loads(act["content"]) | {"forged": True}
    act["content"] = canonical(said)
    act["hash"] = digest(act["content"])
    assert f"act {numbers[pairs[0]]}: it does not follow on act {act['seq']} of this file" in found(file)
    file = file_of(told)
    file["acts"].reverse()
    assert any("not in the order" in each for each in found(file))


@pytest.mark.std("A-21")
def test_each_version_of_an_entry_is_there_with_the_reason_for_the_next(told):
    versions = [each for each in file_of(told)["entries"] if each["version"] == 2]
    (second,) = versions
    assert json.loads(second["content"])["correction"]["reason"] == "It was an hour later."
    first = [each for each in file_of(told)["entries"] if each["uuid"] == second["uuid"] and each["version"] == 1]
    assert first[0]["until_act"] == second["act"]


def test_the_text_of_acts_that_concern_others_is_left_out_and_their_hash_is_not(told):
    cohort = {each["kind"]: each for each in file_of(told)["acts"]}
    assert cohort["award.made"]["content"] is not None
    for act in file_of(told)["acts"]:
        assert len(act["hash"]) == 64
        if act["content"] is None:
            assert (act["by"], act["personal"]) == ("", None)
        else:
            assert hashlib.sha256(act["content"].encode()).hexdigest() == act["hash"]


def test_a_second_rating_is_not_in_the_file_that_the_person_observed_takes_away(stage):
    common = {"clinician": stage.learner, "procedure": stage.procedure, "unit": stage.ward}
    first = SignedObservationFactory(assessor=stage.supervisors[0], **common)
    second = SignedObservationFactory(
        assessor=stage.supervisors[1], second_of=first, checklist=first.checklist, **common
    )
    own = {each["uuid"] for each in file_of(stage)["observations"]}
    theirs = {each["uuid"] for each in file_of(stage, stage.educator)["observations"]}
    assert str(first.uuid) in own
    assert str(second.uuid) not in own
    assert str(second.uuid) in theirs
    assert str(second.uuid) not in json.dumps(file_of(stage))


@pytest.mark.std("A-20")
def test_what_was_brought_shown_to_others_and_looked_at_again_is_in_the_file_and_the_acts_prove_it(decided):
    for user in (decided.learner.user, decided.educator):
        file = file_of(decided, user)
        assert found(file) == []
    (brought,) = file["recognitions"]
    assert (brought["said"]["outcome"], brought["said"]["insertions"], brought["by"]) == (
        "part", 2, decided.educator.name
    )  # fmt: skip
    assert brought["until_act"] is not None
    (shown,) = file["referrals"]
    assert (shown["to"], shown["reason"]) == (decided.cast.manager.name, "What would you do?")
    outcomes = [(each["said"]["outcome"], each["until_act"] is None) for each in file["reconsidered"]]
    assert sorted(outcomes) == [("counts", True)] * 2 + [("struck", False)] * 2 + [("struck", True)] * 3


@pytest.mark.parametrize("section", ["recognitions", "referrals", "reconsidered"])
def test_nothing_that_was_decided_can_be_left_out_of_the_file_or_changed_in_it(decided, section):
    file = file_of(decided)
    row = file[section].pop()
    assert any("is missing" in each for each in found(file))
    for path, text in [*leaves(row["said"], ("said",)), (("reason",), row.get("reason"))]:
        if text is None or (path == ("reason",) and section == "reconsidered"):
            continue  # the reason for many stands beside their act, which goes with nobody's file
        changed = copy.deepcopy(row)
        holder = changed
        for part in path[:-1]:
            holder = holder[part]
        holder[path[-1]] = f"{text}."
        assert found({**file, section: [*file[section], changed]}) != [], path


def test_what_was_decided_is_read_on_paper_and_in_the_workbook(decided):
    def taken(form):
        return making.make(actor=decided.learner.user, clinician=decided.learner, kind="evidence", form=form).file

    book = openpyxl.load_workbook(io.BytesIO(taken("xlsx")))
    titles = ("Brought from elsewhere", "Cases shown to others", "Countersignatures looked at again")
    brought, shown, again = (list(book[title[:31]].iter_rows(values_only=True)) for title in titles)
    assert brought[1][2:6] == (
        "Marrick Valley Health: Certificate seen, copy in the file.", "Accepted in part: 2 insertions",
        decided.educator.name, "Asked the educator there.",
    )  # fmt: skip
    assert brought[1][6].startswith("withdrawn, act ")
    assert shown[1][1:5] == (decided.cast.manager.name, decided.educator.name, "What would you do?", "stands")
    assert sorted((row[2], row[5].split(",")[0]) for row in again[1:]) == sorted(
        [("Counts all the same", "stands")] * 2
        + [("Does not count", "decided otherwise since")] * 2
        + [("Does not count", "stands")] * 3
    )
    text = text_of(taken("pdf"))
    for words in (*titles, "Marrick Valley Health", "What would you do?", "Counts all the same"):
        assert words in text, words


def test_questions_and_what_was_said_to_them_are_in_the_file(stage):
    flag = FlagFactory(clinician=stage.learner, procedure=stage.procedure)
    (shown,) = file_of(stage)["flags"]
    assert (shown["uuid"], shown["said"]["rule"]) == (str(flag.uuid), flag.rule)


def test_a_whole_file_costs_a_bounded_number_of_queries(told, django_assert_max_num_queries):
    with django_assert_max_num_queries(90):
        file_of(told)
