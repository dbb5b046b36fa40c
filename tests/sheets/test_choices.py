"""Words from a list, in the spellings of a ward."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sheets.cells import Refused
from sheets.choices import Choice, key, pair, tokens, yes_no

GAUGE = Choice(
    {n: (f"{n}G", str(n), f"{n} gauge") for n in (18, 20, 22, 24)},
    doubtful={"pink": (20, "Pink was read as 20G."), "blue": (22, "Blue was read as 22G.")},
)
SIDE = Choice({"left": ("left", "L", "Lt"), "right": ("right", "R", "Rt")})
SITE = Choice(
    {
        "forearm": ("forearm", "FA"),
        "elbow": ("antecubital fossa", "ACF", "cubital fossa"),
        "hand": ("back of hand", "hand", "dorsum of hand", "dorsum"),
    }
)


@pytest.mark.parametrize("cell", ["20G", "20 g", "20g", "20", 20.0, 20, "20.0", "20-gauge", "20 Gauge.", "２０Ｇ"])
def test_a_gauge_is_read_in_its_spellings(cell):
    assert GAUGE(cell) == 20


@pytest.mark.parametrize("cell", ["2 0", "-20", "20/22", "20G 22G", 20.5, "20.5", "2.0", 200.0, "?", "green", True])
def test_what_is_not_on_the_list_is_refused_with_the_list(cell):
    with pytest.raises(Refused, match="18G, 20G, 22G, 24G"):
        GAUGE(cell)


def test_a_doubtful_word_is_taken_with_a_warning():
    warnings: list[str] = []
    assert GAUGE("Pink", warnings.append) == 20
    assert GAUGE("20G", warnings.append) == 20
    assert warnings == ["Pink was read as 20G."]


def test_one_word_for_two_values_is_the_makers_mistake():
    with pytest.raises(ValueError, match="cannot stand for"):
        Choice({"a": ("x y",), "b": ("X-Y",)})
    with pytest.raises(ValueError, match="cannot stand for"):
        Choice({"a": ("--",)})


def test_a_long_list_is_cut_in_the_message():
    wards = Choice({n: (f"Ward {n}",) for n in range(40)})
    with pytest.raises(Refused, match="Ward 11 and 28 more"):
        wards("x")


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("Y", True),
        ("yes", True),
        ("TRUE", True),
        (True, True),
        (1.0, True),
        ("1", True),
        ("success", True),
        ("Successful", True),
        ("✓", True),
        ("✔", True),
        ("Yes.", True),
        ("n", False),
        ("No", False),
        (False, False),
        (0.0, False),
        ("0", False),
        ("fail", False),
        ("FAILED", False),
        ("unsuccessful", False),
        ("not successful", False),
        ("✗", False),
    ],
)
def test_yes_and_no_are_read(cell, read):
    assert yes_no(cell) is read


@pytest.mark.parametrize("cell", ["x", "X", " x ", "×", "☒"])
def test_an_x_is_refused_because_it_can_mean_both(cell):
    with pytest.raises(Refused, match="can mean yes or no"):
        yes_no(cell)


@pytest.mark.parametrize("cell", ["maybe", "-1", 2.0, "y/n", "?", "-", "yes no"])
def test_anything_else_is_neither(cell):
    with pytest.raises(Refused, match="Y, N"):
        yes_no(cell)


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ("L forearm", ("left", "forearm")),
        ("left hand", ("left", "hand")),
        ("R ACF", ("right", "elbow")),
        ("RACF", ("right", "elbow")),
        ("LFA", ("left", "forearm")),
        ("antecubital fossa (L)", ("left", "elbow")),
        ("Antecubital fossa - Rt", ("right", "elbow")),
        ("dorsum of left hand", ("left", "hand")),
        ("Lt. fore-arm", ("left", "forearm")),
        ("hand", (None, "hand")),
        ("L", ("left", None)),
        ("hand/L", ("left", "hand")),
    ],
)
def test_side_and_site_are_read_from_one_cell(cell, read):
    assert pair(SIDE, SITE)(cell) == read


@pytest.mark.parametrize("cell", ["L/R hand", "left right forearm", "L foot", "left forearm and hand", "LR", "?"])
def test_a_pair_that_is_not_clear_is_refused_with_both_lists(cell):
    with pytest.raises(Refused, match="left, right; and one of: forearm"):
        pair(SIDE, SITE)(cell)


@given(st.sampled_from(["left", "right"]), st.sampled_from(["forearm", "elbow", "hand"]), st.data())
def test_every_side_and_site_is_read_in_either_order(side, site, data):
    a = data.draw(st.sampled_from({"left": ["left", "L", "Lt"], "right": ["right", "R", "Rt"]}[side]))
    words = {"forearm": ["forearm", "FA"], "elbow": ["antecubital fossa", "ACF"], "hand": ["back of hand", "hand"]}
    b = data.draw(st.sampled_from(words[site]))
    form = data.draw(st.sampled_from(["{a} {b}", "{b} ({a})", "{a}. {b}", "{b}, {a}", "{a}/{b}", "{a}{b}"]))
    assert pair(SIDE, SITE)(form.format(a=a, b=b)) == (side, site)


@given(st.text())
def test_keys_ignore_case_and_spaces_but_never_join_two_numbers(text):
    assert key(tokens(text)) == key(tokens(f"  {text} "))
    assert key(tokens("1 2")) != key(tokens("12"))
    assert key(tokens("1.5")) != key(tokens("15"))
