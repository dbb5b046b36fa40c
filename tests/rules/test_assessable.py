"""Logging bases over a stretch of days."""

from datetime import date

import pytest

from credentials.rules.assessable import bases_between, every_insertion_since, is_every_insertion
from credentials.rules.facts import Basis, BasisFrom, Tallied
from tests.rules.builders import some_facts

MARCH, MAY, JULY = date(2025, 3, 1), date(2025, 5, 1), date(2025, 7, 1)
FACTS = some_facts(
    basis=(
        BasisFrom(MARCH, Basis.FORTNIGHT),
        BasisFrom(MAY, Basis.TALLY),
        BasisFrom(JULY, Basis.EVERY_INSERTION),
    )
)


@pytest.mark.parametrize(
    ("first", "last", "bases"),
    [
        (date(2025, 1, 1), date(2025, 2, 28), {Basis.EVERY_INSERTION}),
        (date(2025, 2, 28), MARCH, {Basis.EVERY_INSERTION, Basis.FORTNIGHT}),
        (MARCH, date(2025, 4, 30), {Basis.FORTNIGHT}),
        (date(2025, 4, 30), MAY, {Basis.FORTNIGHT, Basis.TALLY}),
        (MAY, date(2025, 6, 30), {Basis.TALLY}),
        (JULY, date(2026, 1, 1), {Basis.EVERY_INSERTION}),
        (date(2025, 1, 1), JULY, set(Basis)),
    ],
)
def test_every_basis_of_the_stretch_is_found_and_no_other(first, last, bases):
    assert bases_between(FACTS, first=first, last=last) == bases
    assert is_every_insertion(FACTS, first=first, last=last) is (bases == {Basis.EVERY_INSERTION})


def test_without_a_list_every_insertion_is_logged():
    assert bases_between(some_facts(), first=MARCH, last=JULY) == {Basis.EVERY_INSERTION}
    assert every_insertion_since(some_facts(), MARCH) == date.min


@pytest.mark.parametrize(
    ("on", "since"),
    [
        (date(2025, 2, 28), date.min), (MARCH, None), (MAY, None), (date(2025, 6, 30), None), (JULY, JULY),
        (date(2026, 1, 1), JULY),
    ],
)  # fmt: skip
def test_the_stretch_of_every_insertion_begins_where_the_basis_last_changed(on, since):
    assert every_insertion_since(FACTS, on) == since


TALLIED = some_facts(tallies=(Tallied(MARCH, 2), Tallied(MAY, 1)))


@pytest.mark.parametrize(
    ("first", "last", "is_every"),
    [
        (date(2025, 2, 1), date(2025, 2, 28), True),
        (date(2025, 2, 1), MARCH, False),
        (MARCH, date(2025, 3, 2), False),
        (date(2025, 3, 2), date(2025, 4, 30), True),
        (date(2025, 3, 2), MAY, False),
    ],
)
def test_a_day_with_a_tally_holds_insertions_that_were_not_logged_whatever_the_setting_says_since(
    first, last, is_every
):
    assert is_every_insertion(TALLIED, first=first, last=last) is is_every


@pytest.mark.parametrize(
    ("on", "since"),
    [
        (date(2025, 2, 28), date.min), (MARCH, None), (date(2025, 3, 2), date(2025, 3, 2)),
        (date(2025, 4, 30), date(2025, 3, 2)), (MAY, None), (JULY, date(2025, 5, 2)),
    ],
)  # fmt: skip
def test_after_a_tally_a_new_stretch_begins(on, since):
    assert every_insertion_since(TALLIED, on) == since
