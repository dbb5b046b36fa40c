"""Days and times as people type them, and forms whose mistakes say what to do."""

import datetime

import pytest
from django import forms
from django.core.exceptions import ValidationError

from people.fields import ClockField, DayField, Form

TODAY = datetime.date(2026, 10, 14)


@pytest.mark.std("F-02")
@pytest.mark.parametrize(
    "typed",
    [
        "13/10/2026",
        "13.10.2026",
        "13-10-26",
        "2026-10-13",
        "13 October 2026",
        "13 oct 2026",
        " 13  Oct 26 ",
        "yesterday",
    ],
)
def test_a_day_is_read_in_the_ways_in_which_people_write_it(typed: str) -> None:
    assert DayField(today=lambda: TODAY).clean(typed) == datetime.date(2026, 10, 13)


@pytest.mark.std("F-02")
@pytest.mark.parametrize("typed", ["31/02/2026", "13/13/2026", "10/13/2026", "soon", "13 Oct", "tomorrow"])
def test_what_is_no_day_is_answered_with_what_to_write(typed: str) -> None:
    with pytest.raises(ValidationError, match=r"^\['Enter the day again\. .+\.'\]$"):
        DayField(today=lambda: TODAY).clean(typed)


def test_today_is_a_word_only_where_it_is_known_which_day_that_is() -> None:
    assert DayField(today=lambda: TODAY).clean("Today") == TODAY
    with pytest.raises(ValidationError):
        DayField().clean("today")


@pytest.mark.std("F-02")
@pytest.mark.parametrize("typed", ["14:30", "1430", "2.30 pm", " 14.30"])
def test_a_time_is_read_in_the_ways_in_which_people_write_it(typed: str) -> None:
    assert ClockField().clean(typed) == datetime.time(14, 30)


@pytest.mark.parametrize("typed", ["25:00", "half past", "14:75"])
def test_what_is_no_time_is_answered_with_what_to_write(typed: str) -> None:
    with pytest.raises(ValidationError, match=r"^\['Enter the time again\. .+\.'\]$"):
        ClockField().clean(typed)


def test_nothing_typed_is_no_value_where_it_may_be_left_out() -> None:
    assert DayField(required=False).clean("") is None
    assert ClockField(required=False).clean(None) is None
    with pytest.raises(ValidationError, match="such as 13 October 2026"):
        DayField().clean("")
    with pytest.raises(ValidationError, match="such as 14:30"):
        ClockField().clean("")


class Both(Form):
    day = DayField()
    at = ClockField()


def test_a_value_is_shown_as_people_write_it_and_what_was_typed_stays_as_it_was() -> None:
    given = Both(initial={"day": TODAY, "at": datetime.time(7, 5)})
    assert (given["day"].value(), given["at"].value()) == ("14 October 2026", "07:05")
    typed = Both({"day": "14/10/26", "at": "705"}, initial={"day": TODAY, "at": datetime.time(7, 5)})
    assert typed["day"].value() == "14/10/26"
    assert typed.changed_data == []
    assert Both({"day": "x", "at": "0706"}, initial={"day": TODAY}).changed_data == ["day", "at"]


class Words(Form):
    name = forms.CharField(max_length=3)
    unit = forms.ChoiceField(label="Which unit?", choices=[("a", "A")])
    count = forms.IntegerField(min_value=2, max_value=4)
    own = forms.CharField(error_messages={"required": "Say why."})
    sure = forms.BooleanField(label="I watched")
    file = forms.FileField(label="Workbook")


@pytest.mark.std("F-04")
@pytest.mark.parametrize(
    ("sent", "said"),
    [
        (
            {},
            {
                "name": "Enter “Name”.",
                "unit": "Choose “Which unit”.",
                "count": "Enter “Count”.",
                "own": "Say why.",
                "sure": "Tick “I watched”.",
                "file": "Choose “Workbook”.",
            },
        ),
        (
            {"name": "abcd", "unit": "b", "count": "1"},
            {
                "name": "Enter at most 3 characters; there are 4.",
                "unit": "Choose one of the answers that are offered.",
                "count": "Enter 2 or more.",
            },
        ),
        ({"count": "5"}, {"count": "Enter 4 or less."}),
        ({"count": "many"}, {"count": "Enter a whole number."}),
    ],
)
def test_a_form_says_what_to_do_in_the_words_of_its_labels(sent: dict[str, str], said: dict[str, str]) -> None:
    errors = {name: texts[0] for name, texts in Words(sent).errors.items()}
    assert said.items() <= errors.items()
