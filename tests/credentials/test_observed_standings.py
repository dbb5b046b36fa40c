"""Observations in standings: which are read, as known when, what they open, and that daily and rebuilt agree."""

# ruff: noqa: DTZ001 - a time of practice is the unit's own

import json
from datetime import date, datetime, timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import observation_replies, observing
from audits.checklist import Setting
from audits.completions import NewCompletion, record_completion
from audits.models import Checklist, Observation, Retirement
from audits.second_raters import ask
from credentials import flags, gathering, retiring, review, standings
from credentials.models import Flag, Programme, Rules
from credentials.proposing import document_digest
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger import acts, clock
from people import stale
from people.models import Absence, User
from tests.audits.observed import hand, ticked
from tests.credentials.conftest import TODAY, Stage, put_in_force, sign
from tests.factories import AppointmentFactory, ChecklistFactory, ProcedureFactory, make_clinician

LABEL = "Observations for a decision"
A_DAY = timedelta(days=1)
NINE = datetime(2026, 3, 2, 9, 0)


@pytest.fixture
def ward(stage: Stage) -> Stage:
    """Both supervisors may observe; a checklist is in force; the programme asks for one observation."""
    for user in stage.supervisors:
        AppointmentFactory(user=user, role="assessor", unit=stage.cast.wards.department)
    ChecklistFactory(procedure=stage.procedure, unit=stage.cast.wards.department)
    return stage


def learning(ward: Stage, from_day: date = TODAY, **terms: Any) -> Stage:
    """The learner is enrolled under terms that ask for observations, and has met those of entry."""
    asked = Terms(**{"observations": 1, **terms}).to_content()
    put_in_force(Programme, ward, asked, TODAY)
    ward.ready_to_learn(from_day)
    return ward


def begun(ward: Stage, at: datetime = NINE, *, by: int = 0, **changes: Any) -> Observation:
    said: dict[str, Any] = {
        "actor": ward.supervisors[by], "clinician": ward.learner, "procedure": ward.procedure, "unit": ward.ward,
        "purpose": "decision", "setting": "patient", "uuid": uuid4(),
    }  # fmt: skip
    return observing.begin(**{**said, **({} if "second_of" in changes else {"observed_at": at}), **changes})


def observed(
    ward: Stage, at: datetime = datetime(2026, 3, 2, 9, 0), *, marks: Any = None, **changes: Any
) -> Observation:
    """Begun, every step met but for `marks`, signed."""
    said = {"met": False} if marks else {}
    row = ticked(begun(ward, at, **changes), said=said, **(marks or {}))
    return observing.sign(signer=hand(row), observation=row)


def facts(ward: Stage, known: int | None = None):
    ground = gathering.ground(known)
    person = gathering.people([ward.learner.pk], ground)[ward.learner.pk]
    return gathering.facts_of(person, ward.procedure.pk, ground, TODAY)


def line(ward: Stage, label: str = LABEL, known: int | None = None):
    standing = standings.judge_many([ward.pair], known=known)[ward.pair].standing
    return next(each for each in (*standing.entry, *standing.award) if each.label == label)


def open_flags(ward: Stage) -> list[tuple[str, str]]:
    return sorted(Flag.objects.filter(closed=None).values_list("rule", "evidence"))


# --- what is read ---


def test_a_signed_first_observation_is_a_fact_and_nothing_else_is(ward):
    whole = observed(ward)
    begun(ward, datetime(2026, 3, 2, 10, 0))  # not signed
    given_up = begun(ward, datetime(2026, 3, 2, 11, 0))
    observing.drop(actor=given_up.assessor, observation=given_up, reason="Called away to another bed.")
    ask(actor=whole.assessor, observation=whole, whom=ward.supervisors[1])
    second = ticked(
        begun(ward, by=1, second_of=whole, purpose=whole.purpose, setting=whole.setting), said={"met": True}
    )
    observing.sign(signer=hand(second), observation=second)
    (found,) = facts(ward).observations
    assert (found.uuid, found.day, found.assessor) == (str(whole.uuid), TODAY, ward.supervisors[0].pk)
    assert (found.for_decision, found.setting, found.verdict, found.missed) == (True, Setting.PATIENT, "met", ())
    assert not found.disputed


def test_settings_and_purposes_are_read_as_they_are_and_a_missed_step_in_its_words(ward):
    observed(ward, datetime(2026, 3, 2, 8, 0), setting="simulation")
    observed(ward, datetime(2026, 3, 2, 8, 30), setting="laboratory")
    observed(ward, datetime(2026, 3, 2, 9, 0), purpose="learning")
    observed(ward, datetime(2026, 3, 2, 9, 30), marks={"hands": "prompted"})
    one, two, three, four = facts(ward).observations
    where = Setting.SIMULATION, Setting.LABORATORY, Setting.PATIENT, Setting.PATIENT
    assert tuple(each.setting for each in (one, two, three, four)) == where
    assert tuple(each.for_decision for each in (one, two, three, four)) == (True, True, False, True)
    steps = json.loads(Checklist.objects.get().content)["steps"]
    assert four.missed == (next(each["text"] for each in steps if each["key"] == "hands"),)
    assert (four.verdict, three.verdict) == ("not_yet", "")


def test_observations_of_another_procedure_and_person_are_not_mixed_in(ward):
    observed(ward)
    observed(ward, datetime(2026, 3, 2, 10, 0), clinician=ward.cast.colleague)
    assert len(facts(ward).observations) == 1
    ground = gathering.ground()
    person = gathering.people([ward.learner.pk], ground)[ward.learner.pk]
    other = ProcedureFactory(code="child-landmark", name="Child, landmark", band="child")
    assert gathering.facts_of(person, other.pk, gathering.ground(), TODAY).observations == ()


def test_reading_many_costs_the_queries_of_one(ward):
    ground = gathering.ground()
    observed(ward, marks={"hands": "not_met"})
    others = [make_clinician(ward.ward, f"Lea Rner {each}") for each in range(6)]
    for place, each in enumerate(others):
        observed(ward, datetime(2026, 3, 2, 6, place), clinician=each, marks={"hands": "not_met"})
    counts = []
    for chosen in ([ward.learner.pk], [ward.learner.pk, *(each.pk for each in others)]):
        with CaptureQueriesContext(connection) as asked:
            read = gathering.people(chosen, ground)
        counts.append(len(asked))
        assert all(len(each.observations) == 1 for each in read.values())
    assert counts[0] == counts[1]


# --- as known then ---


def test_an_observation_and_its_dispute_count_from_the_act_that_brought_them(ward, now):
    learning(ward)
    before = acts.head()
    row = observed(ward)
    signed = acts.head()
    observation_replies.dispute(actor=ward.educator, observation=row, reason="It was another nurse's patient.")
    disputed = acts.head()
    observation_replies.take_back(actor=ward.educator, observation=row)
    assert [line(ward, known=each)[1:] for each in (before, signed, disputed, None)] == [
        (0, 1, ""), (1, 1, ""), (0, 1, "1 disputed, not counted until decided"), (1, 1, ""),
    ]  # fmt: skip
    # Begun before it was signed, and known as begun: no fact yet.
    assert facts(ward, known=row.known_from_id).observations == ()


def test_taking_a_checklist_out_of_use_changes_nothing_that_was_observed_with_it(ward):
    learning(ward)
    observed(ward, marks={"hands": "not_met"})
    standings.refresh()
    before = standings.judge_many([ward.pair])[ward.pair].body
    row = Checklist.objects.get()
    retiring.retire(signer=sign(ward.educator, document_digest(row)), checklist=row, reason="A step is missing here.")
    assert Retirement.objects.exists()
    assert standings.judge_many([ward.pair])[ward.pair].body == before
    assert standings.differences() == []


def test_what_was_not_passed_is_no_fact(ward):
    learning(ward, entry_theory=1)
    for on, passed, have in ((TODAY - A_DAY, False, 0), (TODAY, True, 1)):
        new = NewCompletion(
            clinician=ward.learner, procedure=ward.procedure, kind="theory", on=on, verified_by="Ed Ucator",
            passed=passed,
        )  # fmt: skip
        record_completion(actor=ward.educator, new=new)
        assert line(ward, "Theory sessions").have == have


def test_an_award_waits_for_the_observation_that_the_programme_asks(ward):
    learning(ward, insertions=0, supervisors=0, days=0)
    assert standings.read(*ward.pair).home.status.value == "in_training"
    observed(ward)
    assert standings.read(*ward.pair).home.status.value == "ready_for_award"


# --- findings and flags ---


def test_a_critical_step_missed_opens_a_flag_for_that_observation_once_and_for_good(ward):
    learning(ward)
    first = observed(ward, marks={"hands": "not_met"})
    second = observed(ward, datetime(2026, 3, 2, 11, 0), marks={"sharps": "prompted"})
    observed(ward, datetime(2026, 3, 2, 12, 0), setting="simulation", marks={"hands": "not_met"})
    assert review.review_today().flags_raised == 2
    assert open_flags(ward) == sorted(("critical_step", str(each.uuid)) for each in (first, second))
    flag = Flag.objects.get(evidence=str(first.uuid))
    assert json.loads(flag.figures)["evidence"] == [str(first.uuid)]
    assert flag.reply_by == TODAY + 14 * A_DAY
    signer = sign(ward.educator, flags.flag_digest(flag), meaning=flags.MEANING)
    flags.close_flag(signer=signer, flag=flag, outcome="talked", reason="Talked over at the bedside, shown again.")
    assert review.review_today().flags_raised == 0


def test_somebody_observed_who_neither_learns_nor_logged_is_asked_too(ward):
    row = observed(ward, marks={"hands": "not_met"})
    assert ward.pair in standings.pairs_of()
    standings.refresh()
    assert standings.differences() == []
    assert review.review_today().flags_raised == 1
    assert open_flags(ward) == [("critical_step", str(row.uuid))]
    assert standings.read(*ward.pair).home.status.value == "not_enrolled"


def test_the_page_of_a_review_says_which_observation_is_behind_it(client, ward):
    row = observed(ward, marks={"hands": "not_met"})
    review.review_today()
    client.force_login(ward.educator)
    told = client.get(reverse("review", args=[Flag.objects.get().uuid])).content.decode()
    assert "Critical step" in told
    assert reverse("observation", args=[row.uuid]) in told
    assert "watched by" in told


def test_the_words_of_the_example_rules_and_of_the_page_are_there_for_every_rule(ward):
    from credentials.rules.ruleset import PARAMETERS
    from credentials.wording import RULE_EXPLAINED, RULE_WORDS

    assert set(PARAMETERS) == set(RULE_WORDS) == set(RULE_EXPLAINED)
    content = json.loads(Rules.objects.get().content)["rules"]
    assert content["critical_step"] == {"on": True, "consequence": "review", "reply_days": 14, "months": 12}
    assert content["observation_overdue"]["learning_days"] == 90
    assert content["observation_overdue"]["holding_days"] == 0


def overdue_rules(ward: Stage) -> None:
    content = default_content()
    content["rules"]["observation_overdue"] |= {"learning_days": 30, "consequence": "review"}  # type: ignore[index]
    put_in_force(Rules, ward, content, TODAY)


def test_who_learns_and_is_not_watched_is_found_on_the_day_that_was_named_for_it(ward, now):
    learning(ward, from_day=TODAY)
    overdue_rules(ward)
    clock_day = now
    with clock.at(clock_day):
        standings.refresh()
        stored = standings.read(*ward.pair)
        assert stored.next_change_on is not None
        assert stored.next_change_on <= TODAY + 30 * A_DAY
    for after, found in ((29, []), (30, [("observation_overdue", "")])):
        with clock.at(now + timedelta(days=after)):
            call_command("daily")
            assert open_flags(ward) == found
            assert standings.differences() == []


def test_absence_puts_the_day_off(ward, now):
    learning(ward, from_day=TODAY)
    overdue_rules(ward)
    Absence.objects.create(
        clinician=ward.learner, from_day=TODAY + 5 * A_DAY, until_day=TODAY + 12 * A_DAY, known_from_id=acts.head()
    )
    for after, found in ((36, False), (37, True)):
        with clock.at(now + timedelta(days=after)):
            on = {each.rule for each in standings.judge_many([ward.pair])[ward.pair].standing.findings}
            assert ("observation_overdue" in on) is found


# --- stored, daily and rebuilt ---


def test_what_is_signed_disputed_or_taken_back_is_seen_at_once_and_daily_equals_rebuilt(ward):
    learning(ward)
    standings.rebuild()
    row = observed(ward, marks={"hands": "not_met"})
    for step in (None, observation_replies.dispute, observation_replies.take_back):
        if step is observation_replies.dispute:
            step(actor=ward.learner.user, observation=row, reason="My hands were clean: I used the gel outside.")
        elif step:
            step(actor=ward.learner.user, observation=row)
        assert ward.pair in stale.pending([ward.learner.pk])
        (found,) = standings.read(*ward.pair).standing.findings
        assert found.rule == "critical_step"
        assert found.text.endswith("is disputed.") is (step is observation_replies.dispute)
        call_command("daily")
        assert not stale.pending([ward.learner.pk])
        assert standings.differences() == []


def test_review_check_holds_over_months_with_observations(ward, now):
    learning(ward)
    observed(ward, marks={"flush": "not_met"})
    observed(ward, datetime(2026, 3, 1, 9, 0), marks={"hands": "prompted"})
    review.review_today()
    for days in (30, 91, 120, 365, 366):
        with clock.at(now + timedelta(days=days)):
            call_command("daily")
            call_command("review", check=True)
    with clock.at(now + timedelta(days=364)):
        rules = {each.rule for each in standings.judge_many([ward.pair])[ward.pair].standing.findings}
        assert "critical_step" not in rules  # 1 March 2027 is past the twelve months of 1 March 2026


def test_a_standing_told_as_known_then_leaves_out_what_was_signed_later(ward, now, capsys):
    learning(ward)
    with clock.at(now + timedelta(hours=1)):
        observed(ward, marks={"hands": "not_met"})
    told = {}
    for known_at in (None, (now + timedelta(minutes=30)).isoformat()):
        call_command("standing", ward.learner.staff_number, ward.procedure.code, known_at=known_at, json=True)
        told[known_at is None] = json.loads(capsys.readouterr().out)
    assert set(told[True]) == set(told[False])
    assert "critical_step" in {each["rule"] for each in told[True]["reasons"]}
    assert "critical_step" not in {each["rule"] for each in told[False]["reasons"]}


def test_findings_of_observations_have_the_shape_of_all_others(ward, capsys):
    learning(ward)
    observed(ward, marks={"hands": "not_met"})
    call_command("review", json=True)
    own = [
        each
        for each in json.loads(capsys.readouterr().out)["findings"]
        if each["clinician"] == ward.learner.staff_number
    ]
    assert [each["rule"] for each in own] == ["critical_step"]
    assert set(own[0]) == {"clinician", "procedure", "rule", "figure", "threshold"}


def test_a_supervisor_who_watched_is_not_judged_by_it(ward):
    observed(ward, marks={"hands": "not_met"})
    user: User = ward.supervisors[0]
    pair = (user.clinician.pk, ward.procedure.pk)
    assert standings.judge_many([pair])[pair].facts.observations == ()
