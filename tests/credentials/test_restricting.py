"""Stand-down, suspension, withdrawal and plans: who decides, from when until when, what the answer then is."""

import json
from dataclasses import replace
from datetime import date, timedelta

import pytest

from audits.holding import may_supervise
from audits.models import Award, Restriction
from credentials.restricting import Decision, decide, end, end_digest, extend, standing_restrictions
from credentials.rules.answers import Answer
from credentials.rules.standing import answer_at_home
from credentials.rules.terms import Terms
from credentials.standings import judge_many, refresh
from ledger import clock
from ledger.acts import head
from ledger.canonical import canonical
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.problems import Problems
from people.signing import confirm
from tests.audits.conftest import NOW, give_award, make_stage
from tests.factories import SECRET, ProcedureFactory, SettingFactory, make_appointed
from tests.ledger.conftest import unguard

TODAY = date(2026, 3, 2)
A_DAY = timedelta(days=1)
REASON = "Two wrong-side sticks this morning."


@pytest.fixture
def stage(db):
    with clock.at(NOW):
        yield make_stage()


@pytest.fixture
def holder(stage):
    """The owner of the ward, who holds the procedure over the department."""
    give_award(stage.owner, stage.procedure, stage.cast.wards.department)
    return stage.owner


def sign(user, digest):
    return confirm(user=user, secret=SECRET, meaning="decided", digests=[digest])


def decided(user, decision):
    return decide(signer=sign(user, decision.digest), decision=decision)


def ended(user, row, reason="Talked over, and watched."):
    return end(signer=sign(user, end_digest(row, reason)), restriction=row, reason=reason)


def answer(clinician, procedure, on=TODAY, known=None):
    pair = (clinician.pk, procedure.pk)
    judged = judge_many([pair], on=on, known=known)[pair]
    at = answer_at_home(judged.standing, on=on)
    return at.status.value, at.answer.value


def about(clinician, kind, procedure=None, **said):
    return Decision(clinician=clinician, kind=kind, reason=REASON, procedure=procedure, **said)


# --- stand-down ---


@pytest.mark.parametrize("who", ["supervisor", "educator", "manager"])
def test_whoever_is_in_charge_stops_somebody_at_once(stage, holder, who):
    assert answer(holder, stage.procedure) == ("current", "alone")
    made = decided(stage.cast.users()[who], about(holder, "stand_down"))
    assert answer(holder, stage.procedure) == ("stood_down", "no")
    act = Act.objects.get(seq=made.known_from_id)
    assert (act.kind, act.facts["signature"]["printed_name"]) == ("stand_down.made", stage.cast.users()[who].name)
    assert REASON in act.payload.body


@pytest.mark.parametrize("who", ["colleague", "assessor", "auditor", "administrator", "outsider"])
def test_nobody_else_does(stage, holder, who):
    with pytest.raises(NotPermitted):
        decided(stage.cast.users()[who], about(holder, "stand_down"))
    assert not Restriction.objects.exists()


@pytest.mark.parametrize(("after", "status"), [(0, "stood_down"), (3, "stood_down"), (4, "current")])
def test_it_ends_by_itself_at_the_end_of_the_third_day_after(stage, holder, after, status):
    decided(stage.cast.manager, about(holder, "stand_down"))
    assert answer(holder, stage.procedure, TODAY + after * A_DAY)[0] == status


@pytest.mark.parametrize(("after", "status"), [(1, "stood_down"), (2, "current")])
def test_how_long_it_lasts_is_local(stage, holder, after, status):
    SettingFactory(unit=stage.cast.wards.hospital, name="stand_down_days", plain=1)
    decided(stage.cast.manager, about(holder, "stand_down"))
    assert answer(holder, stage.procedure, TODAY + after * A_DAY)[0] == status


def test_an_educator_ends_it_early_and_nobody_else(stage, holder):
    made = decided(stage.cast.supervisor, about(holder, "stand_down"))
    for user in (stage.cast.supervisor, stage.cast.manager, holder.user):
        with pytest.raises(NotPermitted):
            ended(user, made)
    with clock.at(NOW + A_DAY):
        ended(stage.cast.educator, made)
    assert answer(holder, stage.procedure, TODAY)[0] == "stood_down"
    assert answer(holder, stage.procedure, TODAY + A_DAY)[0] == "current"


# --- suspension ---


def test_a_suspension_holds_until_somebody_reinstates_and_each_day_keeps_its_answer(stage, holder):
    made = decided(stage.cast.educator, about(holder, "suspension", stage.procedure))
    suspended = head()
    assert answer(holder, stage.procedure, TODAY + 400 * A_DAY)[1] == "no"
    with clock.at(NOW + 10 * A_DAY):
        ended(stage.cast.educator, made)
    days = [answer(holder, stage.procedure, TODAY + n * A_DAY)[0] for n in (-1, 0, 9, 10)]
    assert days == ["current", "suspended", "suspended", "current"]
    # Known then: nobody knew of an end.
    assert answer(holder, stage.procedure, TODAY + 10 * A_DAY, suspended)[0] == "suspended"


@pytest.mark.parametrize("who", ["supervisor", "manager", "assessor", "auditor", "administrator", "outsider"])
@pytest.mark.parametrize("kind", ["suspension", "withdrawal"])
def test_only_an_educator_suspends_or_withdraws(stage, holder, who, kind):
    with pytest.raises(NotPermitted):
        decided(stage.cast.users()[who], about(holder, kind, stage.procedure))


def test_nobody_decides_about_themselves(stage, holder):
    educator = make_appointed("educator", stage.cast.wards.hospital, "Ed Self")
    holder.user_id = None
    type(holder).objects.filter(pk=holder.pk).update(user=educator)
    for kind in ("suspension", "stand_down"):
        with pytest.raises(NotPermitted):
            decided(educator, about(holder, kind, stage.procedure))


def test_one_suspension_at_a_time_with_a_reason(stage, holder):
    with pytest.raises(Problems, match="Say why"):
        decided(stage.cast.educator, replace(about(holder, "suspension"), reason=" "))
    decided(stage.cast.educator, about(holder, "suspension"))
    with pytest.raises(Problems, match="suspended already"):
        decided(stage.cast.educator, about(holder, "suspension"))


def test_who_is_suspended_supervises_nobody_that_day(stage):
    made = decided(stage.cast.educator, about(stage.holder, "suspension"))
    held = may_supervise(stage.supervisor, unit=stage.ward.pk, procedure=stage.procedure.pk, on=TODAY)
    assert held.reason == "suspension"
    with clock.at(NOW + 2 * A_DAY):
        ended(stage.cast.educator, made)
    later = may_supervise(stage.supervisor, unit=stage.ward.pk, procedure=stage.procedure.pk, on=TODAY + 2 * A_DAY)
    assert later.award


def test_what_the_decision_was_made_on_stays_with_it(stage, holder):
    made = decided(stage.cast.educator, about(holder, "suspension", stage.procedure))
    (stood,) = json.loads(made.basis)["stood"]
    assert (stood["procedure"], stood["status"], stood["may_insert"]) == (stage.procedure.code, "current", "alone")
    assert stood["known"] == made.known_from_id - 1


# --- withdrawal ---


def test_an_award_that_was_withdrawn_counts_no_more_until_a_later_one(stage, holder):
    decided(stage.cast.educator, about(holder, "withdrawal", stage.procedure))
    assert answer(holder, stage.procedure) == ("withdrawn", "no")
    give_award(holder, stage.procedure, stage.cast.wards.hospital, from_day=TODAY + A_DAY, anchor=TODAY + A_DAY)
    assert answer(holder, stage.procedure, TODAY + A_DAY)[0] == "current"
    with pytest.raises(Problems, match="one procedure"):
        decided(stage.cast.educator, about(holder, "withdrawal"))


# --- plans ---


def a_plan(holder, procedure, **said):
    given = {"answer": Answer.IN_ROOM, "due_on": TODAY + 30 * A_DAY, "insertions": 5, **said}
    return about(holder, "plan", procedure, **given)


def test_a_plan_asks_for_supervised_insertions_and_stays_in_force_past_its_day(stage, holder):
    made = decided(stage.cast.educator, a_plan(holder, stage.procedure))
    assert answer(holder, stage.procedure) == ("current", "in_room")
    assert answer(holder, stage.procedure, TODAY + 40 * A_DAY) == ("current", "in_room")
    pair = (holder.pk, stage.procedure.pk)
    (line,) = judge_many([pair])[pair].standing.plan
    assert (line.have, line.need) == (0, 5)
    with clock.at(NOW + 20 * A_DAY):
        done = ended(stage.cast.educator, made, "Five watched, all sound.")
    assert answer(holder, stage.procedure, TODAY + 20 * A_DAY) == ("current", "alone")
    assert {"label": "Supervised insertions", "have": 0, "need": 5} in json.loads(done.basis)["ended"][0]["terms"]


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({"answer": Answer.ALONE}, "answer"),
        ({"due_on": None}, "due_on"),
        ({"due_on": TODAY}, "due_on"),
        ({"insertions": 101}, "insertions"),
        ({"procedure": None}, "procedure"),
    ],
)
def test_a_plan_that_says_too_little_is_refused(stage, holder, said, field):
    decision = replace(a_plan(holder, stage.procedure), **said)
    with pytest.raises(Problems) as told:
        decided(stage.cast.educator, decision)
    assert field in [each.field for each in told.value.items]


def test_a_plan_is_extended_to_a_later_day_only(stage, holder):
    made = decided(stage.cast.educator, a_plan(holder, stage.procedure))
    reason = "Two weeks of sick leave."
    for day in (TODAY, made.due_on):
        with pytest.raises(Problems, match="Give a day after"):
            extend(
                signer=sign(stage.cast.educator, end_digest(made, reason, day)), restriction=made, due_on=day,
                reason=reason,
            )  # fmt: skip
    later = made.due_on + 14 * A_DAY
    changed = extend(
        signer=sign(stage.cast.educator, end_digest(made, reason, later)), restriction=made, due_on=later, reason=reason
    )
    assert (changed.due_on, changed.uuid) == (later, made.uuid)
    assert [each.due_on for each in standing_restrictions(holder, TODAY)] == [later]
    with pytest.raises(Problems, match="meanwhile"):
        ended(stage.cast.educator, made)


def test_what_is_decided_shows_at_once_in_the_answer_that_is_read(stage, holder):
    refresh()
    made = decided(stage.cast.educator, about(holder, "suspension"))
    refresh()
    assert answer(holder, stage.procedure)[0] == "suspended"
    with clock.at(NOW + A_DAY):
        ended(stage.cast.educator, made)
    assert {act.kind for act in Act.objects.filter(subject=holder.uuid)} >= {"suspension.made", "suspension.ended"}


# --- days, and what else changes ---


def test_a_suspension_may_begin_later_and_have_a_last_day(stage, holder):
    first, after = TODAY + 3 * A_DAY, TODAY + 10 * A_DAY
    made = decided(stage.cast.educator, about(holder, "suspension", stage.procedure, from_day=first, until_day=after))
    days = [answer(holder, stage.procedure, day)[0] for day in (first - A_DAY, first, after - A_DAY, after)]
    assert days == ["current", "suspended", "suspended", "current"]
    # Called off before it began, it never was.
    ended(stage.cast.educator, made)
    assert answer(holder, stage.procedure, first)[0] == "current"


@pytest.mark.parametrize(
    ("days", "field"),
    [
        ({"from_day": TODAY - A_DAY}, "from_day"),
        ({"until_day": TODAY}, "until_day"),
        ({"from_day": TODAY + 5 * A_DAY, "until_day": TODAY + 5 * A_DAY}, "until_day"),
    ],
)
def test_days_that_make_no_sense_are_refused(stage, holder, days, field):
    with pytest.raises(Problems) as told:
        decided(stage.cast.educator, about(holder, "suspension", **days))
    assert [each.field for each in told.value.items] == [field]


def test_reinstated_from_a_day_to_come(stage, holder):
    made = decided(stage.cast.educator, about(holder, "suspension"))
    reason, day = "After the talk on Thursday.", TODAY + 4 * A_DAY
    end(signer=sign(stage.cast.educator, end_digest(made, reason, day)), restriction=made, reason=reason, from_day=day)
    assert [answer(holder, stage.procedure, each)[0] for each in (day - A_DAY, day)] == ["suspended", "current"]


def test_an_end_after_the_last_day_is_refused(stage, holder):
    after = TODAY + 10 * A_DAY
    made = decided(stage.cast.educator, about(holder, "suspension", until_day=after))
    for day in (after, after + A_DAY):
        with pytest.raises(Problems, match="Give a day from 2 March 2026 on and before 12 March 2026"):
            end(
                signer=sign(stage.cast.educator, end_digest(made, REASON, day)), restriction=made, reason=REASON,
                from_day=day,
            )  # fmt: skip


def test_a_withdrawal_ends_every_award_of_the_procedure_on_its_day_and_is_not_ended_itself(stage, holder):
    other = ProcedureFactory(code="adult-guided", name="Adult, guided", technique="ultrasound")
    give_award(holder, other, stage.cast.wards.department)
    made = decided(stage.cast.educator, about(holder, "withdrawal", stage.procedure))
    ends = dict(Award.objects.known().filter(clinician=holder).values_list("procedure", "until_day"))
    assert ends == {stage.procedure.pk: TODAY, other.pk: None}
    assert answer(holder, other) == ("current", "alone")
    with pytest.raises(Problems, match="does not end"):
        ended(stage.cast.educator, made)


def test_what_nobody_holds_is_not_withdrawn(stage):
    with pytest.raises(Problems, match="holds no award"):
        decided(stage.cast.educator, about(stage.owner, "withdrawal", stage.procedure))


def test_a_return_plan_is_for_who_held_an_award_and_lets_them_practise_in_the_room(stage):
    def plan():
        return about(
            stage.owner, "return_plan", stage.procedure, answer=Answer.IN_ROOM, due_on=TODAY + 30 * A_DAY, insertions=3
        )

    with pytest.raises(Problems, match="that lapsed"):
        decided(stage.cast.educator, plan())
    long_ago = {"anchor": date(2022, 1, 1), "from_day": date(2022, 1, 1), "expires_on": date(2024, 1, 1)}
    terms = canonical(Terms(lapsed_gives=Answer.NO).to_content())
    give_award(stage.owner, stage.procedure, stage.cast.wards.department, terms=terms, **long_ago)
    assert answer(stage.owner, stage.procedure) == ("lapsed", "no")
    decided(stage.cast.educator, plan())
    assert answer(stage.owner, stage.procedure) == ("lapsed", "in_room")


def test_a_plan_may_ask_for_an_observation(stage, holder):
    decided(stage.cast.educator, a_plan(holder, stage.procedure, observations=1))
    pair = (holder.pk, stage.procedure.pk)
    lines = judge_many([pair])[pair].standing.plan
    assert [(line.label, line.need) for line in lines] == [
        ("Supervised insertions", 5),
        ("Observations for a decision", 1),
    ]


# --- the ledger ---


def found_wrong():
    found = [each.reason for each in verify().problems]
    return [each.removeprefix("restrictions: ") for each in found if each.startswith("restrictions: ")]


@pytest.mark.parametrize(
    "change",
    [
        {"answer": "alone"},
        {"until_day": TODAY + A_DAY},
        {"from_day": TODAY - A_DAY},
        {"due_on": TODAY + 90 * A_DAY},
        {"basis": "{}"},
        {"kind": "stand_down"},
    ],
)
def test_an_altered_restriction_is_found(stage, holder, change):
    made = decided(stage.cast.educator, a_plan(holder, stage.procedure))
    with clock.at(NOW + A_DAY):
        ended(stage.cast.educator, decided(stage.cast.educator, about(holder, "suspension")))
    assert found_wrong() == []
    unguard()
    Restriction.objects.filter(pk=made.pk).update(**change)
    assert found_wrong() == [f"restriction {made.uuid} does not match what was signed"]


def test_a_restriction_that_was_taken_away_is_found(stage, holder):
    made = decided(stage.cast.educator, about(holder, "suspension"))
    unguard()
    Restriction.objects.filter(pk=made.pk).delete()
    assert found_wrong() == [f"restriction {made.uuid} is missing"]
