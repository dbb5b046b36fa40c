"""Agreement between raters, and alpha.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.inter_rater import fleiss_kappa as other_fleiss

from audits.statistics.agreement import cohen_kappa, count_ratings, fleiss_kappa, gwet_ac1
from audits.statistics.reliability import cronbach_alpha
from tests.statistics.printed import printed

# cont3x3abstractors of R irrCAC (quoted from its README).
ABSTRACTORS = [[13, 0, 0], [0, 20, 7], [0, 4, 56]]
# Ten subjects, fourteen raters: the Wikipedia example, as in statsmodels, test_inter_rater.py (quoted).
FOURTEEN = [
    [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
]  # fmt: skip
# Fleiss (1971), Psychol Bull 76:378-382, Table 1: 30 patients, 6 raters, as in the same file (quoted).
DIAGNOSES = [
    "444444", "222555", "233335", "555555", "222444", "113333", "333355", "113334", "114444", "555555",
    "144444", "124444", "222333", "144444", "224445", "333335", "111455", "111112", "224444", "133555",
    "555555", "244444", "224555", "114444", "144445", "222224", "111155", "224444", "133333", "555555",
]  # fmt: skip
# Krippendorff (2011), Computing Krippendorff's Alpha-Reliability, example C; the same as cac.raw4raters of R irrCAC.
WITH_GAPS = [
    (1, 1, None, 1), (2, 2, 3, 2), (3, 3, 3, 3), (3, 3, 3, 3), (2, 2, 2, 2), (1, 2, 3, 4), (4, 4, 4, 4), (1, 1, 2, 1),
    (2, 2, 2, 2), (None, 5, 5, 5), (None, None, 1, 1), (None, 3, None, None),
]  # fmt: skip
# Twelve people, eleven items: Real Statistics example as reproduced on qiita (read).
ITEMS = [
    "11111111111", "11111111010", "10111111100", "11101101100", "11111000100", "01101111000",
    "11110010000", "11111000000", "01011000010", "10010100000", "11100000000", "10010000000",
]  # fmt: skip


def by_category(rows):
    return count_ratings([list(row) for row in rows], "12345")


def by_subject(table):
    """The observations of a table of two raters, one by one, as counts for each category."""
    size = len(table)
    rows = []
    for first in range(size):
        for second in range(size):
            row = np.zeros(size)
            row[first] += 1
            row[second] += 1
            rows += [row] * int(table[first][second])
    return np.array(rows)


def test_kappa_of_a_two_by_two_table():
    # Wikipedia's example as quoted on a stored page (read); standard error R vcd, psych, statsmodels (independent).
    found = cohen_kappa([[20, 5], [10, 15]])
    assert (found.observed, found.expected) == (pytest.approx(0.7), pytest.approx(0.5))
    assert found.coefficient == pytest.approx(0.4, abs=1e-12)
    assert found.standard_error == printed(".1269961")
    assert found.subjects == 50


def test_coefficients_of_two_abstractors():
    # README of R irrCAC (quoted); kappa and its error R vcd (independent).
    kappa = cohen_kappa(ABSTRACTORS)
    assert kappa.coefficient == printed(".7964094")
    assert kappa.standard_error == printed(".0589107")
    # For two raters Fleiss's kappa is Scott's pi.
    assert fleiss_kappa(by_subject(ABSTRACTORS)).coefficient == printed(".7962397")
    assert gwet_ac1(by_subject(ABSTRACTORS)).coefficient == printed(".8493305")


def test_kappa_of_a_four_by_four_table():
    # R vcd, SexualFun (independent).
    found = cohen_kappa([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]])
    assert found.coefficient == printed(".1293303")
    assert found.standard_error == printed(".0685985")


def test_plain_and_weighted_kappa_of_cohen():
    # Cohen's data and his .492 and weighted .348, as in the help of R psych, cohen.kappa (quoted); digits psych
    # (independent).
    table = np.rint(np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]]) * 200)
    plain = cohen_kappa(table).coefficient
    assert plain == printed(".4915254")
    assert plain == printed(".492")
    weighted = cohen_kappa(table, weights=[[0, 1, 3], [1, 0, 6], [3, 6, 0]])
    assert weighted.coefficient == printed(".348")


def test_fleiss_kappa_of_fourteen_raters():
    # statsmodels, test_inter_rater.py prints .210 (quoted); digits statsmodels (independent).
    found = fleiss_kappa(FOURTEEN)
    assert found.coefficient == printed(".209931")
    assert (found.observed, found.expected) == (printed(".378022"), printed(".212755"))


def test_the_table_of_fleiss():
    # .430 and .245 .245 .520 .471 .566: tests of R irr and pyirr (quoted); digits statsmodels (independent); AC1 own
    # earlier computation.
    counts = by_category(DIAGNOSES)
    found = fleiss_kappa(counts)
    assert found.coefficient == printed(".430245")
    assert (found.observed, found.expected) == (printed(".555556"), printed(".219938"))
    assert list(found.by_category) == printed(".244755 .244755 .520000 .471127 .566118")
    assert found.subjects == 30
    assert gwet_ac1(counts).coefficient == printed(".447885")


def test_the_first_fifteen_patients_of_fleiss():
    # README of R irrCAC, distrib.6raters (quoted).
    counts = by_category(DIAGNOSES[:15])
    kappa, ac1 = fleiss_kappa(counts), gwet_ac1(counts)
    assert (kappa.coefficient, kappa.expected) == (printed(".4139265"), printed(".2340741"))
    assert (ac1.coefficient, ac1.expected) == (printed(".4448007"), printed(".1914815"))
    assert ac1.observed == printed(".5511111")


def test_ac1_with_gaps():
    # README of R irrCAC, cac.raw4raters (quoted).
    found = gwet_ac1(count_ratings(WITH_GAPS, [1, 2, 3, 4, 5]))
    assert found.coefficient == printed(".77544")
    assert (found.observed, found.expected) == (printed(".8181818"), printed(".1903212"))
    assert found.subjects == 11


def test_kappa_collapses_where_nearly_everything_is_one_category():
    # Own earlier computation.
    table = [[118, 5], [2, 0]]
    kappa, ac1 = cohen_kappa(table), gwet_ac1(by_subject(table))
    assert kappa.observed == printed(".944")
    assert kappa.coefficient == printed("-0.0234")
    assert ac1.coefficient == printed(".9408")


tables = st.integers(2, 5).flatmap(
    lambda size: st.lists(st.lists(st.integers(0, 30), min_size=size, max_size=size), min_size=size, max_size=size)
)


@given(tables)
def test_cohen_equals_statsmodels(table):
    array = np.array(table, dtype=float)
    found = cohen_kappa(table)
    if found.coefficient is None:
        return
    other = cohens_kappa(array)
    assert found.coefficient == pytest.approx(other.kappa, abs=1e-9)
    if other.var_kappa > 1e-12:
        assert found.standard_error == pytest.approx(other.std_kappa, abs=1e-9)


# statsmodels divides by a standard error of 0.
@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
@given(tables)
def test_weighted_cohen_equals_statsmodels(table):
    array = np.array(table, dtype=float)
    size = len(table)
    distance = np.abs(np.subtract.outer(np.arange(size), np.arange(size))).astype(float)
    found = cohen_kappa(table, weights=distance)
    if found.coefficient is None:
        return
    other = cohens_kappa(array, weights=distance)
    assert found.coefficient == pytest.approx(other.kappa, abs=1e-9)
    if other.var_kappa > 1e-12:
        assert found.standard_error == pytest.approx(other.std_kappa, abs=1e-9)


@settings(deadline=None)
@given(st.integers(2, 12), st.integers(2, 5), st.integers(1, 30), st.integers(0, 10_000))
def test_fleiss_equals_statsmodels(raters, categories, subjects, seed):
    draw = np.random.default_rng(seed)
    counts = draw.multinomial(raters, draw.dirichlet(np.ones(categories)), size=subjects)
    found = fleiss_kappa(counts)
    if found.coefficient is not None:
        assert found.coefficient == pytest.approx(other_fleiss(counts), abs=1e-9)


@given(st.integers(2, 8), st.integers(2, 5), st.integers(1, 20), st.integers(0, 10_000))
def test_the_order_of_categories_does_not_matter(raters, categories, subjects, seed):
    draw = np.random.default_rng(seed)
    counts = draw.multinomial(raters, draw.dirichlet(np.ones(categories)), size=subjects)
    turned = counts[:, ::-1]
    for coefficient in (fleiss_kappa, gwet_ac1):
        one, other = coefficient(counts).coefficient, coefficient(turned).coefficient
        assert one == (None if other is None else pytest.approx(other, abs=1e-12))


def test_everybody_in_one_category_has_no_kappa_but_full_agreement():
    cohen = cohen_kappa([[12, 0], [0, 0]])
    assert (cohen.coefficient, cohen.observed, cohen.standard_error) == (None, 1, None)
    fleiss = fleiss_kappa([[3, 0]] * 12)
    assert (fleiss.coefficient, fleiss.observed, fleiss.by_category) == (None, 1, (None, None))
    assert gwet_ac1([[3, 0]] * 12).coefficient == 1


def test_nothing_rated_has_no_figures():
    for found in (cohen_kappa([[0, 0], [0, 0]]), fleiss_kappa(np.zeros((0, 2))), gwet_ac1(np.zeros((0, 2)))):
        assert (found.observed, found.expected, found.coefficient, found.subjects) == (None, None, None, 0)
    once = gwet_ac1([[1, 0], [0, 1], [0, 0]])
    assert (once.coefficient, once.subjects) == (None, 0)


def test_one_observation_rated_twice():
    assert cohen_kappa([[0, 1], [0, 0]]).coefficient == 0
    assert fleiss_kappa([[1, 1]]).coefficient == -1
    assert gwet_ac1([[1, 1]]).coefficient == -1


def test_perfect_agreement_is_one():
    assert cohen_kappa([[5, 0], [0, 7]]).coefficient == pytest.approx(1)
    assert cohen_kappa([[5, 0], [0, 7]]).standard_error == pytest.approx(0, abs=1e-7)
    assert fleiss_kappa([[4, 0], [0, 4]]).coefficient == pytest.approx(1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: cohen_kappa([[1, 2, 3], [4, 5, 6]]), r"\(2, 3\)"),
        (lambda: cohen_kappa([[1, -2], [3, 4]]), "-2"),
        (lambda: cohen_kappa([[1, 2.5], [3, 4]]), "2.5"),
        (lambda: cohen_kappa([[1, 2], [3, 4]], weights=[[1, 2], [2, 0]]), "weights"),
        (lambda: cohen_kappa([[1, 2], [3, 4]], weights=[[0, 0], [0, 0]]), "weights"),
        (lambda: cohen_kappa([[1, 2], [3, 4]], weights=[0, 1]), "weights"),
        (lambda: fleiss_kappa([[2, 1], [2, 0]]), "2 to 3"),
        (lambda: fleiss_kappa([[1, 0], [0, 1]]), "1 to 1"),
        (lambda: fleiss_kappa([1, 2]), r"\(2,\)"),
        (lambda: gwet_ac1([[3], [3]]), "got 1"),
        (lambda: count_ratings([["a", "z"]], ["a", "b"]), "'z' of observation 1"),
        (lambda: cronbach_alpha([[1, 2]]), r"\(1, 2\)"),
        (lambda: cronbach_alpha([[1], [2]]), r"\(2, 1\)"),
        (lambda: cronbach_alpha([[1, float("nan")], [2, 3]]), "missing"),
    ],
)
def test_tables_that_do_not_fit_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_kr20_of_eleven_items():
    # Data read; R psych::alpha (independent).
    scores = np.array([[int(mark) for mark in row] for row in ITEMS])
    assert cronbach_alpha(scores) == printed(".7380192")
    # The trap: items by n and totals by n - 1.
    totals = scores.sum(axis=1)
    assert 11 / 10 * (1 - scores.var(axis=0).sum() / totals.var(ddof=1)) == printed(".7681842")


def test_alpha_of_equal_totals_is_no_figure():
    assert cronbach_alpha([[1, 0], [0, 1], [1, 0]]) is None


@given(st.integers(0, 10_000), st.integers(2, 30), st.integers(2, 8), st.floats(0.1, 50), st.floats(-9, 9))
def test_alpha_does_not_change_with_the_scale(seed, people, items, factor, shift):
    scores = np.random.default_rng(seed).normal(size=(people, items))
    assert cronbach_alpha(scores * factor + shift) == pytest.approx(cronbach_alpha(scores), rel=1e-6, abs=1e-6)
