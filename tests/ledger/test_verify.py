"""Each way of tampering, with the guard taken away first, is found."""

import io
import json

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext

from ledger import verify as verifying
from ledger.acts import header
from ledger.canonical import canonical, digest
from ledger.models import Act, Head, Payload
from ledger.verify import Checkpoint, Problem, verify
from people.models import User
from tests.ledger.conftest import run_sql, unguard

pytestmark = pytest.mark.std("A-17")


@pytest.fixture
def chain(append):
    """Seven acts, the fourth with personal text, and no guard."""
    acts = [append(f"entry {n}", personal={"reason": "away"} if n == 4 else None) for n in range(1, 8)]
    assert verify().holds
    unguard()
    return acts


def broken_at() -> int | None:
    return verify().first_bad


def rehash(seq: int, **changed: object) -> None:
    """Change an act and give it the hash that fits, as somebody would who knows how the chain is made."""
    act = Act.objects.get(pk=seq)
    content = json.loads(act.content)
    content.update(changed)
    text = canonical(content)
    run_sql("UPDATE ledger_act SET content = %s, hash = %s WHERE seq = %s", text, digest(text), seq)


def test_an_untouched_chain_holds_but_not_without_its_guard(chain):
    report = verify()
    assert (report.acts, report.head, report.first_bad) == (7, chain[-1].hash, None)
    assert not report.holds
    assert {problem.reason.split(":")[0] for problem in report.problems} == {"the guard is missing"}


@pytest.mark.parametrize("number", [1, 3, 7])
def test_an_edited_act_is_found(chain, number):
    run_sql("UPDATE ledger_act SET content = replace(content, 'entry', 'Entry') WHERE seq = %s", number)
    assert broken_at() == number


def test_an_act_edited_with_a_hash_that_fits_is_found_at_the_act_after_it(chain):
    rehash(3, note="something else")
    assert broken_at() == 4


def test_the_last_act_edited_with_a_hash_that_fits_is_found_at_the_head(chain):
    rehash(7, note="something else")
    assert broken_at() == 7


@pytest.mark.parametrize(
    "change",
    [
        "kind = 'other.kind'",
        "recorded_at = '2001-01-01 00:00:00'",
        "subject = NULL",
        "previous = hash",
        "hash = 'x'",
        "algorithm = 'md5'",
    ],
)
def test_a_column_that_differs_from_what_was_hashed_is_found(chain, change):
    run_sql(f"UPDATE ledger_act SET {change} WHERE seq = 3")
    assert broken_at() == 3


def test_another_actor_put_in_is_found(chain):
    nurse = User.objects.create(email="r.okafor@wrenfield.example", name="Ruth Okafor")
    run_sql("UPDATE ledger_act SET actor_id = %s WHERE seq = 3", nurse.pk)
    assert broken_at() == 3


@pytest.mark.std("A-03")
def test_an_act_lifted_to_another_subject_is_found(chain):
    """A signature is an act about what was signed: it cannot be moved to something else."""
    other = "0b0e7f0c6d1a4a5f9d3c1e2f3a4b5c6d"
    run_sql("UPDATE ledger_act SET subject = %s WHERE seq = 5", other)
    assert broken_at() == 5


@pytest.mark.std("A-03")
def test_the_content_of_another_act_put_in_is_found(chain):
    run_sql("UPDATE ledger_act SET content = (SELECT content FROM ledger_act WHERE seq = 2) WHERE seq = 5")
    assert broken_at() == 5


@pytest.mark.parametrize("number", [1, 4, 6])
def test_a_dropped_act_is_found(chain, number):
    run_sql("DELETE FROM ledger_payload WHERE act_id = %s", number)
    run_sql("DELETE FROM ledger_act WHERE seq = %s", number)
    assert broken_at() == number


def test_a_dropped_act_is_found_when_those_after_it_move_up(chain):
    run_sql("DELETE FROM ledger_act WHERE seq = 5")
    for number in (6, 7):
        run_sql("UPDATE ledger_act SET seq = %s WHERE seq = %s", number - 1, number)
    assert broken_at() == 5


def test_two_acts_that_changed_places_are_found(chain):
    for before, after in ((2, 100), (3, 2), (100, 3)):
        run_sql("UPDATE ledger_act SET seq = %s WHERE seq = %s", after, before)
    assert broken_at() == 2


def test_an_act_put_in_is_found(chain):
    for number in (7, 6, 5):
        run_sql("UPDATE ledger_act SET seq = %s WHERE seq = %s", number + 1, number)
    put_in(5, previous=chain[3].hash)
    assert broken_at() == 6


def test_an_act_put_in_behind_the_head_is_found(chain):
    put_in(8, previous=chain[6].hash)
    assert broken_at() == 8


def put_in(seq: int, *, previous: str) -> None:
    act = Act(seq=seq, recorded_at=Act.objects.get(pk=1).recorded_at, kind="test.noted", previous=previous)
    act.algorithm = "sha256"
    act.content = canonical({"note": "never happened", "act": header(act, personal=None)})
    act.hash = digest(act.content)
    act.save(force_insert=True)


@pytest.mark.parametrize("content", ["", "not json", "[]", "7", '{"act":7}', '{"act":{}}', '{"b":1,"a":2}'])
def test_an_act_that_is_no_act_is_found(chain, content):
    run_sql("UPDATE ledger_act SET content = %s, hash = %s WHERE seq = 3", content, digest(content))
    assert broken_at() == 3


def test_a_tail_cut_off_is_found_as_long_as_the_head_is_left(chain):
    run_sql("DELETE FROM ledger_act WHERE seq > 4")
    assert broken_at() == 5


def test_a_tail_cut_off_together_with_the_head_is_found_only_against_a_checkpoint(chain):
    kept_elsewhere = Checkpoint(seq=7, hash=chain[-1].hash)
    run_sql("DELETE FROM ledger_act WHERE seq > 4")
    run_sql("UPDATE ledger_head SET seq = 4, hash = %s", chain[3].hash)
    assert broken_at() is None
    assert verify(expect=kept_elsewhere).first_bad == 5


def test_a_chain_written_anew_is_found_only_against_a_checkpoint(chain):
    kept_elsewhere = Checkpoint(seq=5, hash=chain[4].hash)
    assert verify(expect=kept_elsewhere).first_bad is None
    previous = chain[4].previous
    for number in (5, 6, 7):
        act = Act.objects.get(pk=number)
        act.previous = previous
        act.content = canonical({"note": "another story", "act": header(act, personal=None)})
        act.hash = previous = digest(act.content)
        run_sql(
            "UPDATE ledger_act SET content = %s, hash = %s, previous = %s WHERE seq = %s",
            *(act.content, act.hash, act.previous, number),
        )
    run_sql("UPDATE ledger_head SET hash = %s", previous)
    assert broken_at() is None
    assert verify(expect=kept_elsewhere).first_bad == 5


@pytest.mark.parametrize("change", ["seq = 6", "seq = 9", "hash = 'x'"])
def test_a_head_that_is_not_that_of_the_last_act_is_found(chain, change):
    run_sql(f"UPDATE ledger_head SET {change}")
    assert broken_at() in (7, 8)


def test_a_missing_head_is_found(chain):
    Head.objects.all().delete()
    assert "the row that holds the head is missing" in {problem.reason for problem in verify().problems}


@pytest.mark.parametrize("column", ["body", "salt"])
def test_an_altered_personal_text_is_found(chain, column):
    run_sql(f"UPDATE ledger_payload SET {column} = '{{}}'")
    assert broken_at() == 4


def test_a_missing_personal_text_is_found(chain):
    Payload.objects.all().delete()
    assert broken_at() == 4


def test_a_personal_text_put_beside_another_act_is_found(chain):
    run_sql("UPDATE ledger_payload SET act_id = 2")
    assert broken_at() == 2


# The command.


def run(*arguments: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    try:
        call_command("verify_ledger", *arguments, stdout=out, stderr=err)
    except SystemExit as stopped:
        return stopped.code, out.getvalue(), err.getvalue()
    return 0, out.getvalue(), err.getvalue()


def test_the_command_says_that_an_empty_ledger_holds(db):
    status, out, err = run("--json")
    assert (status, json.loads(out), err) == (0, {"acts": 0, "head": "", "holds": True, "first_bad": None}, "")


def test_the_command_says_that_a_ledger_holds(append):
    acts = [append(), append()]
    status, out, _ = run("--json")
    assert (status, json.loads(out)) == (0, {"acts": 2, "head": acts[1].hash, "holds": True, "first_bad": None})
    assert acts[1].hash in run()[1]


def test_the_command_names_the_first_bad_act_and_fails(chain):
    run_sql("UPDATE ledger_act SET kind = 'x' WHERE seq = 3")
    status, out, err = run("--json")
    assert (status, json.loads(out)) == (1, {"acts": 2, "head": chain[1].hash, "holds": False, "first_bad": 3})
    assert "act 3: its columns do not match its content" in err
    assert run()[0] == 1


@pytest.mark.std("A-16")
def test_the_command_fails_where_the_guard_is_missing(chain):
    status, out, err = run("--json")
    assert (status, json.loads(out)["holds"], json.loads(out)["first_bad"]) == (1, False, None)
    assert "the guard is missing: ledger_act" in err


def test_the_command_checks_against_a_checkpoint(append):
    acts = [append(), append()]
    assert run("--json", "--expect", "1", acts[0].hash)[0] == 0
    assert run("--json", "--expect", "1", acts[1].hash)[0] == 1
    status, out, _ = run("--json", "--expect", "3", acts[1].hash)
    assert (status, json.loads(out)["first_bad"]) == (1, 3)


@pytest.mark.parametrize("given", [("x", "a" * 64), ("0", "a" * 64), ("1", "short"), ("1", "G" * 64)])
def test_a_checkpoint_that_is_none_is_refused_as_wrong_use(db, given):
    with pytest.raises(CommandError) as caught:
        call_command("verify_ledger", "--expect", *given)
    assert caught.value.returncode == 2


def test_a_database_without_a_ledger_is_an_error_in_words(db):
    connection.check_constraints()
    run_sql("ALTER TABLE ledger_act RENAME TO elsewhere")
    with pytest.raises(CommandError, match="holds no ledger"):
        call_command("verify_ledger")


# What other apps add.


def test_an_apps_own_evidence_is_checked_too(append, monkeypatch):
    monkeypatch.setattr(verifying, "_verifiers", {})
    append()
    verifying.register("insertions", lambda: [Problem(1, "insertion 5 differs from its act")])
    report = verify()
    assert (report.holds, report.first_bad) == (False, 1)
    assert report.problems[-1].reason == "insertions: insertion 5 differs from its act"


def test_two_verifiers_cannot_share_a_name(monkeypatch):
    monkeypatch.setattr(verifying, "_verifiers", {})
    verifying.register("insertions", list)
    with pytest.raises(ValueError, match="'insertions'"):
        verifying.register("insertions", tuple)


def test_reading_a_long_chain_takes_as_many_queries_as_a_short_one(append, django_assert_num_queries):
    append()
    with django_assert_num_queries(count := queries_of_verify()):
        verify()
    for _ in range(20):
        append()
    with django_assert_num_queries(count):
        assert verify().acts == 21


def queries_of_verify() -> int:
    with CaptureQueriesContext(connection) as queries:
        verify()
    return len(queries)
