"""Shift tallies: who may note one, for which days, what becomes of it, and what proves it."""

from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest

from audits.limits import limits
from audits.logbook import record_insertion
from audits.models import Insertion, ScopeByRole, Tally
from audits.tallies import MOST, NewTally, holder, is_late, note_tally, offered, one_day
from ledger import clock
from ledger.acts import head
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.models import Stale
from people.problems import Problems
from tests.audits.conftest import NOW, Stage, give_award
from tests.factories import RestrictionFactory, ScopeFactory, SettingFactory, an_act, make_appointed
from tests.ledger.conftest import unguard

TODAY = date(2026, 3, 2)
A_DAY = timedelta(days=1)

pytestmark = pytest.mark.django_db


@pytest.fixture
def on_tally(stage: Stage) -> Stage:
    """The owner holds the procedure on a ward that keeps tallies."""
    give_award(stage.owner, stage.procedure, stage.ward)
    SettingFactory(unit=stage.ward, name="logging_basis", plain="tally", from_day=date(2025, 1, 1))
    return stage


def note(stage: Stage, insertions: int = 3, **changes: Any) -> Tally:
    actor = changes.pop("actor", stage.owner.user)
    said = {"clinician": stage.owner, "procedure": stage.procedure, "unit": stage.ward, "on": TODAY, **changes}
    return note_tally(actor=actor, new=NewTally(insertions=insertions, **said))


def refused(stage: Stage, insertions: int = 3, **changes: Any) -> dict[str, str]:
    before = Tally.objects.count(), head()
    with pytest.raises(Problems) as told:
        note(stage, insertions, **changes)
    assert (Tally.objects.count(), head()) == before
    return {each.field: each.text for each in told.value.items}


def set_basis(stage: Stage, value: Any, since: date = date(2025, 1, 1), **changes: Any) -> None:
    SettingFactory(**{"unit": stage.ward, "name": "logging_basis", "plain": value, "from_day": since, **changes})


def test_a_holder_notes_a_day_and_the_act_says_all_of_it(on_tally):
    made = note(on_tally)
    act = Act.objects.get(pk=made.known_from_id)
    assert (act.kind, act.subject, act.actor) == ("tally.noted", on_tally.owner.uuid, on_tally.owner.user)
    assert act.facts == {
        "insertions": 3, "old": None, "on": "2026-03-02", "on_behalf": False, "procedure": on_tally.procedure.code,
        "tally": str(made.uuid), "unit": str(on_tally.ward.uuid),
    }  # fmt: skip
    assert Stale.objects.filter(clinician=on_tally.owner, cause="tally.noted").exists()


def test_a_change_is_a_new_version_under_the_same_key_and_the_old_one_stays(on_tally):
    first = note(on_tally, 3)
    second = note(on_tally, 4)
    taken_back = note(on_tally, 0)
    assert first.uuid == second.uuid == taken_back.uuid
    assert list(Tally.objects.order_by("pk").values_list("insertions", flat=True)) == [3, 4, 0]
    assert list(Tally.objects.known()) == [taken_back]
    assert list(Tally.objects.known(first.known_from_id)) == [first]


def test_saying_the_same_again_changes_nothing(on_tally):
    first, before = note(on_tally), head()
    assert note(on_tally) == first
    assert head() == before


def test_a_day_without_an_insertion_can_be_said(on_tally):
    assert note(on_tally, 0).insertions == 0


@pytest.mark.parametrize("insertions", [-1, MOST + 1])
def test_a_number_that_cannot_be_is_refused(on_tally, insertions):
    assert str(MOST) in refused(on_tally, insertions)["insertions"]


# --- the days ---


@pytest.mark.parametrize(("days", "told"), [(1, "future"), (-15, "14 days back")])
def test_no_day_to_come_and_none_too_long_ago(on_tally, days, told):
    assert told in refused(on_tally, on=TODAY + days * A_DAY)["on"]


@pytest.mark.parametrize("days", [0, -1, -14])
def test_today_and_the_days_of_the_local_limit(on_tally, days):
    assert note(on_tally, on=TODAY + days * A_DAY).on == TODAY + days * A_DAY


def test_today_is_that_of_the_unit(on_tally):
    """15:30 of 1 March in Greenwich is 2 March in Adelaide, and 13:00 is not yet."""
    with clock.at(datetime(2026, 3, 1, 15, 30, tzinfo=UTC)):
        assert note(on_tally).on == TODAY
    with clock.at(datetime(2026, 3, 1, 13, 0, tzinfo=UTC)):
        assert "future" in refused(on_tally)["on"]


@pytest.mark.parametrize(("days", "late"), [(-7, False), (-8, True)])
def test_one_noted_after_the_local_time_is_marked_late(on_tally, days, late):
    row = note(on_tally, on=TODAY + days * A_DAY)
    row = Tally.objects.select_related("known_from", "procedure").get(pk=row.pk)
    assert is_late(row, limits([on_tally.owner.pk])) is late


# --- what is asked there ---


def test_where_every_insertion_is_logged_there_is_no_tally(stage):
    give_award(stage.owner, stage.procedure, stage.ward)
    assert "log each as an entry" in refused(stage)["unit"]


@pytest.mark.parametrize(
    ("on", "may"),
    [
        (date(2026, 2, 19), True),
        (date(2026, 2, 20), False),
        (date(2026, 3, 2), False),
    ],
)
def test_in_the_fortnight_each_insertion_is_logged_and_outside_it_a_tally_will_do(stage, on, may):
    give_award(stage.owner, stage.procedure, stage.ward)
    set_basis(stage, "fortnight")
    set_basis(stage, 51, name="fortnight_begins")  # 20 February through 5 March
    if may:
        assert note(stage, on=on)
    else:
        assert "through 5 March 2026" in refused(stage, on=on)["on"]


def test_the_day_after_the_fortnight_a_tally_will_do(stage):
    give_award(stage.owner, stage.procedure, stage.ward)
    set_basis(stage, "fortnight")
    set_basis(stage, 51, name="fortnight_begins")
    with clock.at(NOW + 4 * A_DAY):
        assert note(stage, on=date(2026, 3, 6))
        assert refused(stage, on=date(2026, 3, 5))


@pytest.mark.parametrize(("on", "may"), [(date(2026, 2, 27), True), (date(2026, 2, 28), False), (TODAY, False)])
def test_the_basis_of_the_day_itself_decides(on_tally, on, may):
    set_basis(on_tally, "every_insertion", since=date(2026, 2, 28))
    assert bool(note(on_tally, on=on)) if may else refused(on_tally, on=on)


def test_whose_home_unit_asks_for_every_insertion_logs_each_on_a_ward_of_tallies_too(on_tally):
    other = on_tally.cast.wards.next_ward
    set_basis(on_tally, "tally", unit=other)
    set_basis(on_tally, "every_insertion", since=date(2026, 2, 1))
    give_award(on_tally.owner, on_tally.procedure, other)
    assert "home unit" in refused(on_tally, unit=other)["unit"]


def test_a_basis_about_one_procedure_is_about_that_one(stage):
    give_award(stage.owner, stage.procedure, stage.ward)
    set_basis(stage, "tally", about="another")
    assert refused(stage)
    set_basis(stage, "tally", about=stage.procedure.code)
    assert note(stage)


# --- who ---


def test_who_learns_logs_every_insertion(stage):
    set_basis(stage, "tally")
    assert "was in force" in refused(stage)["on"]


@pytest.mark.parametrize(
    ("award", "may"),
    [
        ({"from_day": TODAY}, True),
        ({"from_day": TODAY + A_DAY}, False),
        ({"expires_on": TODAY + A_DAY}, True),
        ({"expires_on": TODAY}, False),
        ({"until_day": TODAY}, False),
    ],
)
def test_an_award_counts_from_its_day_and_no_longer_on_that_of_its_end(stage, award, may):
    set_basis(stage, "tally")
    give_award(stage.owner, stage.procedure, stage.ward, **award)
    assert bool(note(stage)) if may else refused(stage)


def test_an_award_held_elsewhere_is_none_here(stage):
    set_basis(stage, "tally")
    give_award(stage.owner, stage.procedure, stage.cast.wards.next_ward)
    assert refused(stage)


@pytest.mark.parametrize("whose", ["clinician", "profession"])
def test_a_scope_by_role_will_do(stage, whose):
    set_basis(stage, "tally")
    by = (
        {"clinician": stage.owner}
        if whose == "clinician"
        else {"clinician": None, "profession": stage.owner.profession}
    )
    ScopeFactory(procedure=stage.procedure, unit=stage.ward, from_day=date(2025, 1, 1), **by)
    assert ScopeByRole.objects.known().exists()
    assert note(stage)


@pytest.mark.parametrize("kind", ["plan", "suspension", "stand_down", "return_plan"])
def test_under_a_limit_every_insertion_is_logged(on_tally, kind):
    RestrictionFactory(
        clinician=on_tally.owner, procedure=None, kind=kind, from_day=TODAY - A_DAY, until_day=TODAY + A_DAY
    )
    assert "plan or limit" in refused(on_tally)["on"]
    assert note(on_tally, on=TODAY - 2 * A_DAY)


def test_an_educator_of_the_unit_notes_it_on_behalf_and_the_act_says_so(on_tally):
    row = note(on_tally, actor=on_tally.cast.educator)
    assert Act.objects.get(pk=row.known_from_id).facts["on_behalf"] is True


def test_nobody_else_notes_it(on_tally):
    far = make_appointed("educator", on_tally.cast.wards.other_ward, "Far Educator")
    for actor in (on_tally.supervisor, on_tally.cast.manager, on_tally.cast.colleague.user, far):
        with pytest.raises(NotPermitted):
            note(on_tally, actor=actor)
    assert not Tally.objects.exists()


# --- beside entries ---


def test_a_tally_counts_what_was_not_logged_one_by_one(on_tally):
    note(on_tally, 3)
    record_insertion(actor=on_tally.owner.user, entry=on_tally.entry())
    found = one_day(on_tally.owner, on_tally.procedure, on_tally.ward.pk, TODAY)
    assert (found.tallied, found.entries, found.together) == (3, 1, 4)
    assert Insertion.objects.count() == 1


def test_who_is_asked_for_what_today(on_tally):
    facts = holder(on_tally.owner)
    (found,) = offered(facts, [on_tally.ward.pk])
    assert (found.asked.may_tally, found.fortnight_words, found.next) == (True, "", None)
    assert offered(holder(on_tally.cast.colleague), [on_tally.ward.pk]) == []


def test_in_a_fortnight_it_says_through_when(stage):
    give_award(stage.owner, stage.procedure, stage.ward)
    set_basis(stage, "fortnight")
    set_basis(stage, 51, name="fortnight_begins")
    (found,) = offered(holder(stage.owner), [stage.ward.pk])
    assert not found.asked.may_tally
    assert found.fortnight_words == "Logging fortnight through 5 March 2026: log every insertion."
    assert found.next_words == "The next logging fortnight: 21 May 2026 through 3 June 2026."


# --- what proves it ---


def problems() -> list[str]:
    return [each.reason for each in verify().problems if "tall" in each.reason]


@pytest.fixture
def noted(on_tally: Stage) -> Stage:
    note(on_tally, 3)
    note(on_tally, 5)
    note(on_tally, 2, on=TODAY - A_DAY)
    assert problems() == []
    unguard()
    return on_tally


@pytest.mark.std("A-03")
@pytest.mark.parametrize(
    ("which", "changes", "words"),
    [
        ({"insertions": 5}, {"insertions": 15}, "is not what its act noted"),
        ({"insertions": 2}, {"on": TODAY - 2 * A_DAY}, "is not what its act noted"),
        ({"insertions": 3}, {"insertions": 1}, "its act does not change it"),
        ({"insertions": 3}, {"uuid": UUID(int=1)}, "is not what its act noted"),
    ],
)
def test_an_altered_tally_is_found(noted, which, changes, words):
    assert Tally.objects.filter(**which).update(**changes) == 1
    assert any(words in reason for reason in problems())


@pytest.mark.std("A-03")
@pytest.mark.parametrize("insertions", [2, 3, 5])
def test_one_that_is_no_longer_there_is_found(noted, insertions):
    Tally.objects.filter(insertions=insertions).delete()
    assert any("missing" in reason for reason in problems())


@pytest.mark.std("A-03")
def test_one_that_no_act_noted_and_one_that_stands_again_are_found(noted):
    row = Tally.objects.get(insertions=2)
    row.pk, row.on, row.known_from_id = None, TODAY - 3 * A_DAY, an_act()
    row.save(force_insert=True)
    assert any("is not what its act noted" in reason for reason in problems())
    Tally.objects.filter(pk=row.pk).delete()
    Tally.objects.filter(insertions=5).delete()
    Tally.objects.filter(insertions=3).update(known_until=None)
    assert any("what it said before is missing" in reason for reason in problems())
