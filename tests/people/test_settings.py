from datetime import date

import pytest

from ledger.acts import head, history
from people import settings, stale
from people.access import NotPermitted
from people.problems import Problems
from people.settings import NAMES, book, set_setting
from people.tree import tree
from tests.factories import SettingFactory, make_cast, make_wards

pytestmark = pytest.mark.django_db
MAY, JUNE, JULY = date(2026, 5, 1), date(2026, 6, 1), date(2026, 7, 1)


def value(unit, name, on, about="", known=None):
    return book(known).value(name, tree().above(unit.pk), about, on=on)


def test_the_nearest_unit_with_a_value_in_effect_wins():
    wards = make_wards()
    SettingFactory(unit=wards.group, name="logging_basis", plain="tally")
    SettingFactory(unit=wards.hospital, name="logging_basis", plain="fortnight", from_day=JUNE)
    assert value(wards.ward, "logging_basis", MAY) == "tally"
    assert value(wards.ward, "logging_basis", JUNE) == "fortnight"
    assert value(wards.other_ward, "logging_basis", JUNE) == "tally"


@pytest.mark.parametrize(
    ("name", "default"),
    [
        ("logging_basis", "every_insertion"),
        ("start_day", None),
        ("ceiling_student", "nearby"),
        ("ceiling_agency", None),
        ("stand_down_days", 3),
        ("sign_within_days", 30),
        ("late_after_days", 7),
        ("dispute_days", 14),
        ("reply_days", 14),
        ("small_cell", 5),
    ],
)
def test_a_setting_that_nobody_set_has_its_default(name, default):
    assert value(make_wards().ward, name, MAY) == default


def test_a_value_about_one_procedure_comes_before_one_about_all_of_the_same_unit():
    wards = make_wards()
    SettingFactory(unit=wards.ward, name="logging_basis", plain="tally")
    SettingFactory(unit=wards.ward, name="logging_basis", about="neonate", plain="every_insertion")
    assert value(wards.ward, "logging_basis", MAY, "neonate") == "every_insertion"
    assert value(wards.ward, "logging_basis", MAY, "adult") == "tally"


def test_a_setting_as_known_before_it_was_set_is_the_old_one():
    cast = make_cast()
    before = head()
    set_setting(actor=cast.educator, unit=cast.wards.ward, name="small_cell", value="8", from_day=MAY)
    assert value(cast.wards.ward, "small_cell", MAY) == 8
    assert value(cast.wards.ward, "small_cell", MAY, known=before) == 5


def test_setting_the_same_day_again_replaces_the_value_and_keeps_the_old_in_the_history():
    cast = make_cast()
    for text in ("8", "9"):
        set_setting(actor=cast.educator, unit=cast.wards.ward, name="small_cell", value=text, from_day=MAY)
    assert value(cast.wards.ward, "small_cell", JUNE) == 9
    assert [(act.facts["old"], act.facts["new"]) for act in history(cast.wards.ward.uuid)] == [(None, 8), (8, 9)]


def test_an_empty_ceiling_lifts_an_inherited_one():
    cast = make_cast()
    assert value(cast.wards.ward, "ceiling_student", JUNE) == "nearby"
    set_setting(actor=cast.educator, unit=cast.wards.ward, name="ceiling_student", value="", from_day=JUNE)
    assert value(cast.wards.ward, "ceiling_student", JUNE) is None


def test_the_days_on_which_something_changes_later_are_told():
    wards = make_wards()
    SettingFactory(unit=wards.group, name="small_cell", plain=6, from_day=JULY)
    SettingFactory(unit=wards.ward, name="small_cell", plain=7, from_day=JUNE)
    SettingFactory(unit=wards.other_ward, name="small_cell", plain=7, from_day=date(2026, 8, 1))
    above = tree().above(wards.ward.pk)
    assert book().changes_after(above, MAY) == {JUNE, JULY}
    assert book().changes_after(above, JUNE) == {JULY}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("logging_basis", "sometimes"),
        ("small_cell", "0"),
        ("small_cell", "-1"),
        ("small_cell", "five"),
        ("small_cell", "²"),
        ("start_day", "3/4/2026"),
        ("ceiling_bank", "alone"),
    ],
)
def test_a_value_that_the_setting_does_not_take_is_refused_with_what_it_takes(name, text):
    cast = make_cast()
    acts = head()
    with pytest.raises(Problems) as refused:
        set_setting(actor=cast.educator, unit=cast.wards.ward, name=name, value=text, about="adult", from_day=MAY)
    assert [each.field for each in refused.value.items] == ["value"]
    assert head() == acts


def test_a_start_day_needs_its_procedure():
    cast = make_cast()
    with pytest.raises(Problems, match="which procedure"):
        set_setting(actor=cast.educator, unit=cast.wards.ward, name="start_day", value="2026-01-01", from_day=MAY)


def test_a_name_that_is_no_setting_is_the_callers_mistake():
    cast = make_cast()
    with pytest.raises(ValueError, match="colour"):
        set_setting(actor=cast.educator, unit=cast.wards.ward, name="colour", value="red", from_day=MAY)
    with pytest.raises(KeyError):
        value(cast.wards.ward, "colour", MAY)


def test_a_setting_touches_everybody_placed_below_its_unit():
    cast = make_cast()
    set_setting(actor=cast.educator, unit=cast.wards.department, name="small_cell", value="8", from_day=MAY)
    assert stale.pending() == {(cast.owner.pk, None), (cast.colleague.pk, None)}


def test_educators_and_managers_set_on_their_units_alone():
    cast = make_cast()
    for actor in (cast.administrator, cast.supervisor, cast.owner.user):
        with pytest.raises(NotPermitted):
            set_setting(actor=actor, unit=cast.wards.ward, name="small_cell", value="8", from_day=MAY)
    with pytest.raises(NotPermitted):
        set_setting(actor=cast.manager, unit=cast.wards.other_ward, name="small_cell", value="8", from_day=MAY)


def test_every_setting_says_what_it_means_and_has_words_for_its_values():
    for name, kind in NAMES.items():
        assert kind.title, name
        assert kind.words.endswith("."), name
        assert settings.value_words(name, kind.default), name
        for code, words in kind.choices:
            assert settings.value_words(name, kind.parse(code)) == words


def test_the_book_is_one_query(django_assert_num_queries):
    wards = make_wards()
    SettingFactory(unit=wards.ward, name="small_cell", plain=7)
    above = tree().above(wards.ward.pk)
    with django_assert_num_queries(1):
        now = book()
        assert [now.value(name, above, on=MAY) for name in NAMES]
