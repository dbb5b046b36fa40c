"""Text, staff numbers and whole numbers in cells."""

import re
import unicodedata
from datetime import date, datetime, time, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sheets import cells, days
from sheets.cells import Refused, once, staff_number, text, whole
from sheets.choices import Choice, pair, yes_no
from sheets.reading import Fault, Formula

PARSERS = [text, staff_number, whole(0, 20), days.day, days.time_of_day, days.day_and_time, yes_no]


@pytest.mark.parametrize("parser", PARSERS)
@pytest.mark.parametrize("blank", [None, "", "  ", "\t\n", "\u00a0", "\u200b"])
def test_a_blank_cell_is_nothing(parser, blank):
    assert not parser(blank)


@pytest.mark.parametrize("parser", PARSERS)
@pytest.mark.parametrize(
    ("cell", "said"), [(Formula(3.0), "paste it as values"), (Fault(), "error"), ("#REF!", "error"), ("#n/a", "error")]
)
def test_formulas_and_errors_are_refused_by_every_parser(parser, cell, said):
    with pytest.raises(Refused, match=said):
        parser(cell)


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("  two   words\n here ", "two words here"),
        ("Bronte\u0308", "Brontë"),
        ("a\x00b\x07c", "abc"),
        ("left\u200bright\ufeff", "leftright"),
        ("a\u202eb", "ab"),
        ("'=1+1", "=1+1"),
        ("'tis", "'tis"),
        ("''=1", "'=1"),
        (20.0, "20"),
        (0.5, "0.5"),
        (7, "7"),
        (True, "yes"),
        (date(2025, 11, 3), "2025-11-03"),
        (datetime(2025, 11, 3, 14, 30), "2025-11-03 14:30"),  # noqa: DTZ001
        (time(14, 30), "14:30"),
        (timedelta(hours=30, minutes=5), "30:05"),
    ],
)
def test_any_value_becomes_one_clean_line(cell, read):
    assert text(cell) == read


@given(st.text())
def test_clean_text_is_composed_has_no_control_signs_and_stays_as_it_is(raw):
    cleaned = cells.clean(raw)
    assert unicodedata.is_normalized("NFC", cleaned)
    assert not any(unicodedata.category(letter) in ("Cc", "Cs") for letter in cleaned)
    assert cleaned == cleaned.strip()
    assert "  " not in cleaned
    assert cells.clean(cleaned) == cleaned


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("104233", "104233"),
        (" 00123 ", "00123"),
        (123.0, "123"),
        (123, "123"),
        ("123.0", "123"),
        ("E-1042", "E-1042"),
        ("ab12", "ab12"),
    ],
)
def test_a_staff_number_is_kept_as_the_sheet_has_it(cell, read):
    assert staff_number(cell) == read


@pytest.mark.parametrize(
    "cell",
    [123.5, -4.0, 1e15, float("nan"), float("inf"), "1.04E+05", True, date(2025, 11, 3), time(1), "-", "x" * 41, "..."],
)
def test_what_is_no_staff_number_is_refused_with_what_to_do(cell):
    with pytest.raises(Refused, match="format the column as text"):
        staff_number(cell)


@pytest.mark.parametrize(("cell", "read"), [("2", 2), (2.0, 2), (2, 2), ("2.0", 2), (" 02 ", 2), ("+2", 2), (0.0, 0)])
def test_a_whole_number_is_read(cell, read):
    assert whole(0, 20)(cell) == read


@pytest.mark.parametrize(
    "cell",
    [
        "two",
        2.5,
        "2+",
        ">2",
        "2-3",
        21,
        -1,
        "-1",
        True,
        False,
        date(2025, 1, 2),
        float("nan"),
        float("inf"),
        "1e1",
        "9" * 30,
    ],
)
def test_what_is_no_whole_number_in_range_is_refused(cell):
    with pytest.raises(Refused, match="whole number from 0 to 20"):
        whole(0, 20)(cell)


def test_a_range_without_numbers_is_the_callers_mistake():
    with pytest.raises(ValueError, match="no whole number"):
        whole(3, 2)


def test_a_remembering_parser_gives_the_same_values_and_warnings_each_time():
    calls = []

    def parser(cell, warn=cells.silent):
        calls.append(cell)
        warn(f"about {cell}")
        return cell.upper()

    remembering = once(parser)
    warnings: list[str] = []
    assert [
        remembering("a", warnings.append),
        remembering("b", warnings.append),
        remembering("a", warnings.append),
    ] == [
        "A",
        "B",
        "A",
    ]
    assert calls == ["a", "b"]
    assert warnings == ["about a", "about b", "about a"]


def test_a_remembering_parser_does_not_take_true_for_one():
    remembering = once(whole(0, 20))
    assert remembering(1.0) == 1
    with pytest.raises(Refused):
        remembering(True)


SIDE = Choice({"left": ("left", "l"), "right": ("right", "r")})
SITE = Choice({"forearm": ("forearm",), "hand": ("hand", "back of hand")})
CELLS = st.one_of(
    st.text(),
    st.text(alphabet="0123456789/-.: apmhTZjnovsep'=+G", max_size=20),
    st.floats(),
    st.integers(),
    st.booleans(),
    st.dates(),
    st.times(),
    st.datetimes(),
    st.timedeltas(),
    st.just(Formula("1234567")),
    st.just(Fault()),
    st.none(),
)


@settings(max_examples=300, deadline=None)
@given(CELLS)
def test_any_cell_is_read_or_refused_with_a_reason_that_does_not_repeat_it(cell):
    for parser in [*PARSERS, SIDE, pair(SIDE, SITE), once(days.day)]:
        warnings: list[str] = []
        try:
            parser(cell, warnings.append)
        except Refused as refused:
            warnings.append(refused.reason)
        for said in warnings:
            assert said.endswith((".", ":"))
            # Long enough to tell a patient by: a record number, a word with digits.
            for part in re.findall(r"\w{6,}", str(cell)):
                assert not any(sign.isdigit() for sign in part) or part not in said
