"""Which heading is which field, in the words of a ward."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheets.headings import Field, guess, read_columns, signature, words
from sheets.reading import Merge
from sheets.zipcheck import FileRefused

FIELDS = (
    Field("staff_number", "Staff number", ("employee number", "payroll number", "inserter"), "staff number", True),
    Field("day", "Date", ("insertion date", "date inserted"), "day", True),
    Field("time", "Time", ("insertion time",), "time"),
    Field("unit", "Ward", ("unit", "location"), "text", True),
    Field("attempts", "Attempts", ("number of attempts", "punctures"), "whole number"),
    Field("gauge", "Gauge", ("size", "attempt 1 gauge")),
    Field("second_gauge", "Gauge of second attempt", ("attempt 2 gauge",)),
    Field("comment", "Comment", ("remarks", "notes")),
)


@pytest.mark.parametrize(
    ("heading", "same_as"),
    [
        ("DATE", "Date"),
        ("Date of insertion", "date of  insertion"),
        ("Gauge (G)", "Gauge"),
        ("Date [dd/mm/yyyy]", "Date"),
        ("Date dd/mm/yyyy", "Date"),
        ("Attempts *", "attempt"),
        ("Staff no.", "Staff number"),
        ("Staff #", "Staff number"),
        ("No. of attempts", "Number of attempts"),
        ("Gauge\nused", "gauge"),
        ("Nurse's comments:", "nurses comment"),
        ("Ｄａｔｅ", "date"),
    ],
)
def test_spellings_of_one_heading_are_one(heading, same_as):
    assert words(heading) == words(same_as)


@pytest.mark.parametrize(
    ("heading", "other"),
    [("Date of birth", "Date"), ("Supervisor name", "Name"), ("Time of removal", "Time"), ("(none)", "")],
)
def test_headings_that_say_more_are_not_taken_for_less(heading, other):
    assert words(heading) != words(other)


def test_the_row_of_headings_is_found_below_titles():
    rows = [
        ["Cannulation log, Ward 4 Tern", "", "", ""],
        ["Date printed:", "1/12/2025", "Ward", ""],
        [],
        ["Inserter", "Insertion date", "Location", "No. of attempts"],
        ["104233", "3/11/2025", "4 Tern", "2"],
    ]
    match = guess(FIELDS, rows)
    assert match is not None
    assert match.header_row == 4
    assert match.mapping == {"staff_number": 0, "day": 1, "unit": 2, "attempts": 3}
    assert match.missing == ()
    assert match.is_enough


def test_word_order_does_not_matter_but_exact_words_come_first():
    match = guess(FIELDS, [["Date of insertion", "Employee no", "Unit", "Date inserted"]])
    assert match is not None
    assert match.mapping["day"] == 3
    match = guess(FIELDS, [["Date of insertion", "Employee no", "Unit"]])
    assert match is not None
    assert match.mapping == {"day": 0, "staff_number": 1, "unit": 2}


def test_unknown_columns_and_missing_fields_are_told():
    match = guess(FIELDS, [["Staff no", "UR no", "Date", "", "Gauge"]])
    assert match is not None
    assert match.unknown == (1, 3)
    assert match.missing == ("unit",)
    assert match.is_enough


def test_a_list_of_wards_and_gauges_is_not_taken_for_a_log():
    match = guess(FIELDS, [["Ward", "Gauge"], ["4 Tern", "20G"]])
    assert match is not None
    assert not match.is_enough


def test_unknown_headings_are_still_offered_for_matching_by_hand():
    match = guess(FIELDS, [["Log"], ["Wer", "Wann", "Wo"], ["104233", 45964.0, "4 Tern"]])
    assert match is not None
    assert (match.header_row, match.mapping, match.is_enough) == (2, {}, False)
    assert guess(FIELDS, [["Log"], [1.0, 2.0]]) is None
    assert guess(FIELDS, []) is None


def test_grouped_headings_are_read_with_their_group():
    rows = [
        ["Staff no", "Date", "Ward", "Attempt 1", "", "Attempt 2", ""],
        ["", "", "", "Gauge", "Site", "Gauge", "Site"],
        ["104233", "3/11/2025", "4 Tern", "20G", "hand", "22G", "hand"],
    ]
    merges = [Merge(0, 0, 1, 0), Merge(0, 1, 1, 1), Merge(0, 2, 1, 2), Merge(0, 3, 0, 4), Merge(0, 5, 0, 6)]
    match = guess(FIELDS, rows, merges=merges)
    assert match is not None
    assert match.header_row == 2
    assert match.mapping == {"staff_number": 0, "day": 1, "unit": 2, "gauge": 3, "second_gauge": 5}


def test_a_merged_title_right_above_the_headings_changes_nothing():
    rows = [["Cannulation log", "", ""], ["Staff no", "Date", "Ward"]]
    match = guess(FIELDS, rows, merges=[Merge(0, 0, 0, 2)])
    assert match is not None
    assert match.mapping == {"staff_number": 0, "day": 1, "unit": 2}


def test_a_given_heading_overrides_the_guess():
    rows = [["Date", "Date entered", "Staff no", "Ward", "Gauge"]]
    match = guess(FIELDS, rows, columns={"day": "date ENTERED", "gauge": None})
    assert match is not None
    assert match.mapping == {"day": 1, "staff_number": 2, "unit": 3}


def test_a_given_heading_that_no_row_has_matches_nothing():
    assert guess(FIELDS, [["Date", "Staff no", "Ward"]], columns={"day": "Datum"}) is None


def test_a_column_without_a_heading_is_given_by_its_letter():
    match = guess(FIELDS, [["Date", "", "Ward"]], columns={"staff_number": "column B"})
    assert match is not None
    assert match.mapping == {"staff_number": 1, "day": 0, "unit": 2}
    assert guess(FIELDS, [["Date", "", "Ward"]], columns={"staff_number": "column Z"}) is None


def test_the_signature_is_that_of_next_months_sheet_and_of_no_other():
    assert signature(["Date", "Staff no."]) == signature(["DATE ", "Staff number", ""])
    assert signature(["Date", "Staff no."]) != signature(["Staff no.", "Date"])
    assert len(signature([])) == 64


def test_a_column_map_is_read_and_checked():
    assert read_columns('{"day": "Datum", "gauge": null}', FIELDS) == {"day": "Datum", "gauge": None}
    for text, said in (
        ("day=Datum", "not JSON"),
        ('["day"]', "must look like"),
        ('{"day": 3}', "must look like"),
        ('{"datum": "Day"}', "unknown fields: datum. Known are: staff_number"),
    ):
        with pytest.raises(FileRefused, match=said):
            read_columns(text, FIELDS)


@given(st.lists(st.lists(st.text(max_size=12), max_size=8), max_size=6), st.permutations(range(4)))
def test_any_rows_around_leave_the_row_with_all_headings_the_best(rows, order):
    headings = ["Staff number", "Date", "Ward", "Attempts"]
    shuffled = [headings[place] for place in order]
    match = guess(FIELDS, [*rows, shuffled])
    assert match is not None
    if len(match.mapping) == 4 and match.header_row == len(rows) + 1:
        assert {shuffled[column] for column in match.mapping.values()} == set(headings)
    else:
        # Only chance can have made a row with as many known headings.
        assert len(match.mapping) >= 4


@given(st.dictionaries(st.sampled_from([field.name for field in FIELDS]), st.none() | st.text(max_size=10)))
def test_column_maps_come_back_from_json(columns):
    assert read_columns(json.dumps(columns), FIELDS) == columns
    guess(FIELDS, [["Date", "Staff no", "Ward"]], columns=columns)
