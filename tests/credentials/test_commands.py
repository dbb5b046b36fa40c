"""start_register, standing, review and daily, as somebody at a terminal gives them."""

import json
from datetime import date, datetime

import pytest
from django.core.management import CommandError, call_command

from audits.models import Procedure
from credentials.models import Programme, Rules, Standing
from people.models import Unit, User

FIRST = datetime(2026, 1, 12, 10, 0)  # noqa: DTZ001 - the unit's own time


def said(capsys, *command, **options):
    call_command(*command, **options)
    return capsys.readouterr().out


def test_an_empty_database_becomes_a_register_with_examples_that_bind_nobody_yet(db, capsys):
    text = said(
        capsys, "start_register", group="Wrenfield Coast Health", email="ida.marlowe@wrenfield.example", example=True
    )
    user = User.objects.get()
    assert "/invitation/" in text
    assert (user.name, user.own_secret) == ("Ida Marlowe", False)
    assert Unit.objects.get().level == "group"
    assert Procedure.objects.count() == Programme.objects.count() == Rules.objects.count() == 5
    assert not Programme.objects.exclude(approved=None).exists()


def test_a_register_is_started_once(db):
    call_command("start_register", group="Wrenfield Coast Health", email="ida@wrenfield.example")
    with pytest.raises(CommandError, match="started already"):
        call_command("start_register", group="Another", email="other@wrenfield.example")


def test_standing_prints_one_document(stage, capsys):
    stage.ready_to_learn(FIRST.date())
    stage.ten_insertions(FIRST)
    document = json.loads(said(capsys, "standing", stage.learner.staff_number, stage.procedure.code, json=True))
    assert document["status"] == "ready_for_award"
    assert document["may_insert"] == "in_room"
    assert document["on"] == "2026-03-02"
    assert document["figures"]["insertions"] == 10
    assert document["figures"]["rate"] == 1.0
    # Wilson, 10 of 10: 1 / (1 + z^2 / 10) with z = 1.959964 (closed form).
    assert document["figures"]["interval"] == pytest.approx([0.722467, 1.0], abs=1e-6)
    assert document["figures"]["days_since_last"] == (date(2026, 3, 2) - date(2026, 1, 21)).days


def test_standing_of_a_past_day_says_what_held_then(stage, capsys):
    stage.ready_to_learn(FIRST.date())
    stage.ten_insertions(FIRST)
    command = ("standing", stage.learner.staff_number, stage.procedure.code)
    past = json.loads(said(capsys, *command, on="2026-01-14", json=True))
    assert (past["status"], past["figures"]["insertions"]) == ("in_training", 3)
    before = json.loads(said(capsys, *command, on="2026-01-11", json=True))
    assert before["status"] == "not_enrolled"
    known_then = json.loads(said(capsys, *command, on="2026-03-02", known_at="2026-01-01T00:00+00:00", json=True))
    # Nothing was in the register then, not even the placement.
    assert (known_then["status"], known_then["known"]) == ("no_placement", 0)


@pytest.mark.parametrize(
    ("number", "code", "words"),
    [("none-such", "adult-landmark", "treat as not confirmed"), (None, "none-such", "there are: adult-landmark")],
)
def test_standing_of_somebody_or_something_unknown_is_said_clearly(stage, number, code, words):
    with pytest.raises(CommandError, match=words):
        call_command("standing", number or stage.learner.staff_number, code)


def test_review_prints_one_document_and_a_check_that_holds(stage, capsys):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, events=("needlestick",), signed=False)
    document = json.loads(said(capsys, "review", json=True))
    assert set(document) == {"on", "known", "clinicians", "standings", "findings", "flags_raised", "seconds"}
    assert document["standings"]["in_training"] == 1
    own = [each for each in document["findings"] if each["clinician"] == stage.learner.staff_number]
    assert [each["rule"] for each in own] == ["serious_event"]
    assert set(own[0]) == {"clinician", "procedure", "rule", "figure", "threshold"}
    assert document["flags_raised"] == 1
    assert json.loads(said(capsys, "review", check=True, json=True)) == {"holds": True, "differences": []}


def test_review_check_finds_an_altered_standing(stage, capsys):
    stage.ready_to_learn(FIRST.date())
    call_command("review")
    Standing.objects.filter(clinician=stage.learner).update(body="{}")
    capsys.readouterr()
    with pytest.raises(SystemExit) as ended:
        call_command("review", check=True, json=True)
    assert ended.value.code == 1
    assert json.loads(capsys.readouterr().out)["differences"][0]["clinician"] == stage.learner.staff_number


def test_review_of_another_day_stores_nothing(stage, capsys):
    stage.ready_to_learn(FIRST.date())
    stage.log(FIRST, events=("needlestick",), signed=False)
    before = Standing.objects.count()
    document = json.loads(said(capsys, "review", on="2026-02-01", json=True))
    assert (document["on"], document["flags_raised"]) == ("2026-02-01", 0)
    own = [each["rule"] for each in document["findings"] if each["clinician"] == stage.learner.staff_number]
    assert own == ["serious_event"]
    assert Standing.objects.count() == before


def test_daily_says_what_it_touched_and_why(stage, capsys):
    call_command("review")
    stage.ready_to_learn(FIRST.date())
    capsys.readouterr()
    text = said(capsys, "daily")
    assert text.startswith("1 standings judged")
    assert "enrolment.opened: 1" in text
    assert said(capsys, "daily").startswith("0 standings judged (nothing), 0 changed, 0 flags raised.")
