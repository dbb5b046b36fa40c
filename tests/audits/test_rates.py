"""A rate in words: never without its count and interval, and not at all where the count is too small."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits.rates import percent, rate_of


@pytest.mark.std("F-20")
@pytest.mark.parametrize(
    ("successes", "trials", "words"),
    [
        (0, 0, "no insertions"),
        (3, 3, "3 of 3: too few for a rate"),
        (0, 4, "0 of 4: too few for a rate"),
        # Wilson (1927) limits at 95%: 8/10 .490-.943, 24/30 .627-.905, 29/29 .883-1 as in R's epitools.
        (8, 10, "8 of 10: 80%, and with 95% confidence between 49 and 94%; too few to judge"),
        (24, 30, "24 of 30: 80%, and with 95% confidence between 63 and 90%"),
        (29, 29, "29 of 29: 100%, and with 95% confidence between 88 and 100%"),
        (31, 47, "31 of 47: 66%, and with 95% confidence between 52 and 78%"),
    ],
)
def test_a_rate_is_said_with_its_count_and_interval(successes: int, trials: int, words: str) -> None:
    assert rate_of(successes, trials).words == words


@pytest.mark.parametrize(
    ("fraction", "words"), [(0, "0"), (0.001, "under 1"), (0.5, "50"), (0.997, "over 99"), (1, "100"), (0.994, "99")]
)
def test_only_none_reads_nought_and_only_all_reads_a_hundred(fraction: float, words: str) -> None:
    assert percent(fraction) == words


@given(st.integers(1, 400).flatmap(lambda trials: st.tuples(st.integers(0, trials), st.just(trials))))
def test_a_share_is_said_exactly_from_five_trials_on_and_a_judgement_from_twenty(counts: tuple[int, int]) -> None:
    rate = rate_of(*counts)
    assert ("%" in rate.words) is (rate.trials >= 5)
    assert rate.is_few is (rate.trials < 20)
    assert rate.words.startswith(f"{rate.successes} of {rate.trials}: ")
    if rate.share is not None and rate.lower is not None and rate.upper is not None:
        assert rate.lower <= rate.share <= rate.upper


@pytest.mark.parametrize(("successes", "trials"), [(2, 1), (-1, 5), (0, -1)])
def test_counts_that_cannot_be_are_refused(successes: int, trials: int) -> None:
    with pytest.raises(ValueError, match=re.compile(r"\d")):
        rate_of(successes, trials)
