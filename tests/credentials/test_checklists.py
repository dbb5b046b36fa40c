"""Checklists as documents by two people: proposed, approved, compared, retired, and which one binds on which day."""

import io
import json
from datetime import date, timedelta

import pytest
from django.core.management import call_command
from django.db import DatabaseError, transaction

from audits.checklist import Checklist as Steps
from audits.checklist import errors_in
from audits.checklists import checklists_known, parsed
from audits.example_checklist import EXAMPLE
from audits.models import Checklist, Retirement
from credentials import proposing, second_person
from credentials.checklist_changes import compared
from credentials.retiring import decide_retirement, retire, retirement_digest, waiting
from ledger import clock
from ledger.acts import head
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.problems import Problems
from people.signing import confirm
from people.tree import tree
from tests.audits.conftest import NOW
from tests.factories import SECRET, STEPS, ChecklistFactory, ProcedureFactory, make_appointed, make_cast
from tests.ledger.conftest import unguard

TODAY = date(2026, 3, 2)
A_DAY = timedelta(days=1)


@pytest.fixture
def cast(db):
    with clock.at(NOW):
        yield make_cast()


@pytest.fixture
def procedure(cast):
    return ProcedureFactory()


def sign(user, *digests):
    return confirm(user=user, secret=SECRET, meaning="as shown", digests=digests)


def propose(cast, procedure, unit=None, **said):
    given = {"name": "Steps of the hospital", "content": STEPS, "effective_on": TODAY, **said}
    return proposing.propose(
        Checklist, actor=cast.educator, unit=unit or cast.wards.department, procedure=procedure, **given
    )


def approve(cast, row, user=None):
    user = user or make_appointed("educator", cast.wards.hospital, "Ed Other")
    return proposing.approve(signer=sign(user, proposing.document_digest(row)), document=row)


def binding(cast, procedure, on=TODAY, known=None, unit=None):
    unit = unit or cast.wards.ward
    return checklists_known(known).binding(procedure.pk, tree().above(unit.pk), on)


def a_retirement(cast, row, reason="It says to release the tourniquet last."):
    return retire(signer=sign(cast.educator, proposing.document_digest(row)), checklist=row, reason=reason)


def decide(user, row, *, confirmed):
    return decide_retirement(signer=sign(user, retirement_digest(row)), retirement=row, confirm=confirmed)


# --- proposed and approved ---


def test_a_checklist_binds_once_another_person_approved_it_from_its_day(cast, procedure):
    row = propose(cast, procedure, effective_on=TODAY + A_DAY)
    assert binding(cast, procedure) is None
    with pytest.raises(NotPermitted):
        approve(cast, row, cast.educator)
    approve(cast, row)
    assert binding(cast, procedure) is None
    assert binding(cast, procedure, TODAY + A_DAY) == row
    assert parsed(row) == Steps.parse(STEPS)
    assert [each.kind for each in Act.objects.filter(subject=row.uuid).order_by("seq")] == [
        "checklist.proposed", "checklist.approved",
    ]  # fmt: skip


@pytest.mark.parametrize("who", ["owner", "supervisor", "assessor", "auditor", "administrator", "outsider"])
def test_only_educators_and_managers_propose(cast, procedure, who):
    with pytest.raises(NotPermitted):
        proposing.propose(
            Checklist, actor=cast.users()[who], unit=cast.wards.ward, procedure=procedure, name="Mine",
            content=STEPS, effective_on=TODAY,
        )  # fmt: skip


def broken(**parts):
    return {**json.loads(json.dumps(STEPS)), **parts}


def step(**said):
    return {**STEPS["steps"][0], **said}


@pytest.mark.parametrize(
    ("content", "path"),
    [
        (broken(steps=[]), "steps"),
        (broken(steps=[step(), step()]), "steps.1.key"),
        (broken(steps=[step(phase="elsewhere")]), "steps.0.phase"),
        (broken(steps=[step(text="")]), "steps.0.text"),
        (broken(steps=[step(text="Flushes with {much}")]), "steps.0.text"),
        (broken(steps=[step(guidance="See {much}")]), "steps.0.guidance"),
        (broken(steps=[step(critical="yes")]), "steps.0.critical"),
        (broken(steps=[step(key="Hands!")]), "steps.0.key"),
        (broken(steps=[step(weight=3)]), "steps.0.weight"),
        (broken(steps=[step(critical=False), {**STEPS["steps"][3], "critical": False}]), "steps"),
        (broken(steps=[STEPS["steps"][2], STEPS["steps"][0]]), "steps"),
        (broken(steps=[step()]), "phases.1"),
        (broken(ratings=["Good"]), "ratings"),
        (broken(ratings=["Good", "good"]), "ratings"),
        (broken(ratings=["Good", ""]), "ratings"),
        (broken(phases=[]), "phases"),
        (broken(values=[{"key": "a", "label": "", "text": "5"}]), "values.0.label"),
        (broken(colour="blue"), "colour"),
    ],
)
def test_content_that_cannot_be_used_is_named_at_its_place(cast, procedure, content, path):
    assert path in [each.path for each in errors_in(content)]
    with pytest.raises(Problems) as told:
        propose(cast, procedure, content=content)
    assert path in [each.field for each in told.value.items]
    assert not Checklist.objects.exists()


@pytest.mark.std("A-16")
@pytest.mark.parametrize("column", ["content", "name", "effective_on", "version"])
def test_a_published_version_never_changes(cast, procedure, column):
    row = approve(cast, propose(cast, procedure))
    value = {"effective_on": TODAY + A_DAY, "version": 9}.get(column, "{}")
    with pytest.raises(DatabaseError), transaction.atomic():
        Checklist.objects.filter(pk=row.pk).update(**{column: value})


def test_a_unit_s_own_checklist_comes_before_that_of_the_hospital(cast, procedure):
    hospital = ChecklistFactory(procedure=procedure, unit=cast.wards.hospital)
    own = approve(cast, propose(cast, procedure, unit=cast.wards.department))
    assert binding(cast, procedure) == own
    assert binding(cast, procedure, unit=cast.wards.day_ward) == hospital


def test_what_waits_names_checklists_for_a_second_person(cast, procedure):
    row = propose(cast, procedure)
    other = make_appointed("educator", cast.wards.hospital, "Ed Other")
    (waits,) = second_person.waiting(access_of(other))
    assert (waits.what, waits.may) == (row, True)
    assert waits.words.startswith("Checklist: Steps of the hospital, version 1, at ")


# --- the example ---


def test_the_example_can_be_used_and_every_step_names_its_source():
    assert errors_in(EXAMPLE.to_content()) == []
    assert Steps.parse(EXAMPLE.to_content()) == EXAMPLE
    assert all(each.source for each in (*EXAMPLE.steps, *EXAMPLE.values))
    words = ("(read)", "second-hand", "no source")
    assert all(any(word in each.source.lower() for word in words) for each in EXAMPLE.steps)


def test_the_example_asks_what_the_published_standard_asks_of_an_insertion():
    """ACSQHC, Management of Peripheral Intravenous Catheters Clinical Care Standard, 2021, quality statements 1, 2, 4,
    5, 6 and 7: indication, informed patient, site, help in time, asepsis, documentation (read in 3 steps at least)."""
    said = " ".join(each.source for each in EXAMPLE.steps)
    assert all(f"quality statement {number} (read)" in said for number in (1, 2, 4, 5, 6, 7))
    assert any("dry" in EXAMPLE.said(each.text) for each in EXAMPLE.steps)


def test_vein_entry_is_no_step_and_what_stands_ends_before_the_needle():
    assert not any("vein" in each.text.lower() and each.critical for each in EXAMPLE.steps_of("insert"))
    assert [each.key for each in EXAMPLE.phases if each.stands] == ["before", "prepare", "asepsis"]


# --- compared ---


def changed(**changes):
    content = json.loads(json.dumps(STEPS))
    for key, said in changes.items():
        row = next(each for each in content["steps"] if each["key"] == key)
        row.update(said)
    return content


def tags(now, before=STEPS):
    found = compared(Steps.parse(now), Steps.parse(before))
    return {each.step.key: each.tags for phase in found.phases for each in phase.steps if each.tags}


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({}, {}),
        ({"hands": {"text": "Washes hands"}}, {"hands": ("reworded",)}),
        ({"hands": {"critical": False}}, {"hands": ("no longer critical",)}),
        ({"flush": {"critical": True}}, {"flush": ("now critical",)}),
        ({"hair": {"if_arises": False}}, {"hair": ("always",)}),
        ({"hair": {"guidance": "Clippers only."}}, {"hair": ("other guidance",)}),
        ({"flush": {"key": "rinse"}}, {"rinse": ("new",)}),
    ],
)
def test_each_kind_of_change_of_a_step_is_named(change, found):
    assert tags(changed(**change)) == found


def test_a_step_that_moved_is_named_and_its_neighbours_are_not():
    content = changed()
    content["steps"][:2] = reversed(content["steps"][:2])
    assert list(tags(content).values()) == [("moved",)]


def test_what_is_gone_and_local_values_are_named():
    content = changed()
    content["steps"] = [each for each in content["steps"] if each["key"] != "hair"]
    content["values"][0]["text"] = "10 mL"
    content["ratings"][0] = "Unsafe"
    found = compared(Steps.parse(content), Steps.parse(STEPS))
    assert found.gone == ("Clips hair", "Overall impression: Not safe yet")
    assert [(each.text, each.tags) for each in found.values] == [("10 mL", ("was 5 mL or more",))]
    assert [(each.words, each.tags, each.at) for each in found.changes] == [
        ("Flush", ("was 5 mL or more",), "value-flush_ml"),
        ("Overall impression: Unsafe", ("new",), "impressions"),
        ("Clips hair", ("gone",), ""),
        ("Overall impression: Not safe yet", ("gone",), ""),
    ]
    assert compared(Steps.parse(content), None).changes == ()


def test_a_phase_that_is_new_renamed_or_no_longer_stands_is_named():
    content = changed()
    content["phases"][0] |= {"name": "Ready", "stands": False}
    content["phases"].append({"key": "after", "name": "After", "stands": False})
    content["steps"].append({**STEPS["steps"][0], "key": "tidy", "phase": "after", "text": "Clears up"})
    found = compared(Steps.parse(content), Steps.parse(STEPS))
    assert [each.tags for each in found.phases] == [("was Prepare", "no longer stands"), (), ("new",)]
    assert [(each.first, [step.number for step in each.steps]) for each in found.phases] == [
        (1, [1, 2]), (3, [3, 4]), (5, [5]),
    ]  # fmt: skip


# --- retired ---


def test_a_wrong_version_is_out_of_use_at_once_and_the_one_before_binds_again(cast, procedure):
    before = ChecklistFactory(procedure=procedure, unit=cast.wards.department)
    row = approve(cast, propose(cast, procedure))
    assert binding(cast, procedure) == row
    a_retirement(cast, row)
    assert binding(cast, procedure) == before
    assert binding(cast, procedure, TODAY - A_DAY) == before
    assert Act.objects.get(kind="checklist.retired").facts["signature"]["printed_name"] == "Ed Ucator"


@pytest.mark.parametrize(("after", "binds"), [(0, False), (6, False), (7, True), (8, True)])
def test_unconfirmed_it_lapses_after_seven_days(cast, procedure, after, binds):
    row = approve(cast, propose(cast, procedure))
    a_retirement(cast, row)
    assert (binding(cast, procedure, TODAY + after * A_DAY) == row) is binds


@pytest.mark.parametrize(("after", "confirmed", "binds"), [(3, True, False), (400, True, False), (3, False, True)])
def test_another_person_confirms_it_for_good_or_puts_it_back(cast, procedure, after, confirmed, binds):
    row = approve(cast, propose(cast, procedure))
    made = a_retirement(cast, row)
    with pytest.raises(NotPermitted):
        decide(cast.educator, made, confirmed=confirmed)
    with clock.at(NOW + 2 * A_DAY):
        decide(cast.manager, made, confirmed=confirmed)
    assert binding(cast, procedure, TODAY + A_DAY) is None  # between, it was out of use either way
    assert (binding(cast, procedure, TODAY + after * A_DAY) == row) is binds
    with pytest.raises(proposing.AlreadyDecided):
        decide(cast.manager, made, confirmed=confirmed)


def test_after_the_seven_days_nobody_confirms_it(cast, procedure):
    made = a_retirement(cast, approve(cast, propose(cast, procedure)))
    with clock.at(NOW + 7 * A_DAY), pytest.raises(Problems, match="in force again"):
        decide(cast.manager, made, confirmed=True)


def test_what_was_known_then_is_not_changed_by_what_came_later(cast, procedure):
    row = approve(cast, propose(cast, procedure))
    approved = head()
    made = a_retirement(cast, row)
    retired = head()
    decide(cast.manager, made, confirmed=True)
    later = TODAY + 30 * A_DAY
    assert binding(cast, procedure, later, approved) == row
    assert binding(cast, procedure, TODAY, retired) is None
    assert binding(cast, procedure, later, retired) == row  # then nobody had confirmed it
    assert binding(cast, procedure, later) is None


@pytest.mark.parametrize("who", ["owner", "supervisor", "assessor", "auditor", "administrator"])
def test_nobody_else_takes_a_version_out_of_use(cast, procedure, who):
    row = ChecklistFactory(procedure=procedure, unit=cast.wards.department)
    with pytest.raises(NotPermitted):
        retire(signer=sign(cast.users()[who], proposing.document_digest(row)), checklist=row, reason="Wrong")
    assert not Retirement.objects.exists()


def test_only_what_binds_is_taken_out_of_use_with_a_reason_and_once(cast, procedure):
    row = propose(cast, procedure)
    with pytest.raises(proposing.AlreadyDecided, match="Nobody approved"):
        a_retirement(cast, row)
    approve(cast, row)
    with pytest.raises(Problems, match="Say what is wrong"):
        a_retirement(cast, row, reason=" ")
    a_retirement(cast, row)
    with pytest.raises(proposing.AlreadyDecided, match="already"):
        a_retirement(cast, row)


def test_those_who_may_confirm_it_are_told(cast, procedure):
    a_retirement(cast, approve(cast, propose(cast, procedure)))
    (own,) = waiting(access_of(cast.educator))
    (others,) = waiting(access_of(cast.manager))
    assert (own.may, others.may, others.last_day) == (False, True, TODAY + 6 * A_DAY)
    assert waiting(access_of(cast.supervisor)) == []


def test_a_version_that_a_later_one_replaced_is_not_taken_out_of_use(cast, procedure):
    first = approve(cast, propose(cast, procedure))
    second = approve(cast, propose(cast, procedure), cast.manager)
    with pytest.raises(proposing.AlreadyDecided, match="replaced"):
        a_retirement(cast, first)
    a_retirement(cast, second)
    a_retirement(cast, first)  # in force again, and wrong as well
    assert binding(cast, procedure) is None


def test_one_that_is_approved_and_still_ahead_is_taken_out_of_use(cast, procedure):
    row = approve(cast, propose(cast, procedure, effective_on=TODAY + 5 * A_DAY))
    decide(cast.manager, a_retirement(cast, row), confirmed=True)
    assert binding(cast, procedure, TODAY + 5 * A_DAY) is None


def test_the_command_lists_and_approves_checklists(cast, procedure, monkeypatch, capsys):
    row = propose(cast, procedure)
    other = make_appointed("educator", cast.wards.hospital, "Ed Other")
    call_command("approve", "--list", "--as", other.email)
    assert f"Checklist: {row.name}, version 1" in capsys.readouterr().out
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{SECRET}\n"))
    call_command("approve", "--as", other.email)
    assert "1 of 1 signed." in capsys.readouterr().out
    assert binding(cast, procedure) == row


# --- held against their acts ---


@pytest.fixture
def decided(cast, procedure):
    """A retirement that was confirmed, in a register that holds, and whose guard is then lifted."""
    made = a_retirement(cast, approve(cast, propose(cast, procedure)))
    decide(cast.manager, made, confirmed=True)
    assert verify().problems == ()
    unguard()
    return made


def found():
    return [each.reason for each in verify().problems if "the guard is missing" not in each.reason]


@pytest.mark.std("A-03")
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"content": "{}"}, "does not match what was approved"),
        ({"effective_on": date(2020, 1, 1)}, "is not what was proposed"),
        ({"name": "Another"}, "is not what was proposed"),
    ],
)
def test_a_checklist_that_was_altered_is_found(decided, changes, words):
    Checklist.objects.filter(pk=decided.checklist_id).update(**changes)
    assert any(words in each for each in found())


@pytest.mark.std("A-03")
@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"reason": "No reason."}, "is not what was signed"),
        ({"lapses_on": date(2030, 1, 1)}, "is not what was signed"),
        ({"from_day": date(2020, 1, 1)}, "is not what was signed"),
        ({"confirmed": False}, "was decided otherwise"),
        ({"decided_on": date(2030, 1, 1)}, "was decided otherwise"),
    ],
)
def test_a_retirement_that_was_altered_is_found(decided, changes, words):
    Retirement.objects.filter(pk=decided.pk).update(**changes)
    assert any(words in each for each in found())


def test_a_retirement_that_is_no_longer_there_is_found(decided):
    Retirement.objects.filter(pk=decided.pk).delete()
    assert any("a retirement of checklist" in each for each in found())
