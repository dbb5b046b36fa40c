"""What rules do: one look, look after look, over a register.

Kinds as in test_chains.py: read, quoted, independent, memory.
"""

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from audits.statistics.operating import (
    Bound,
    DriftRule,
    EntryRule,
    FalseFlags,
    RateRule,
    RecencyRule,
    RunRule,
    Volume,
    VolumeRule,
    attempts_to_flag,
    ever_flag_probability,
    expected_false_flags,
    flag_probability,
)
from audits.statistics.operating.rolling import Record, _simulated, ever_over
from audits.statistics.proportions import exact_interval, wilson_interval
from audits.statistics.sequential import Weights, run_length, score_weights, signal_probability
from tests.statistics.printed import printed

RATES = [0.90, 0.85, 0.80, 0.75, 0.70, 0.65, 0.60, 0.50]
RULE = RateRule(target=0.80, minimum=10)
WHOLE_RECORD = RateRule(target=0.80, minimum=10, window=None)

# Own earlier computation; binomial sums checked with R pbinom (independent). Insertions, largest count flagged, chance.
ONE_LOOK = [
    (10, 5, ".001635 .009874 .032793 .078127 .150268 .248504 .366897 .623047"),
    (20, 12, ".000416 .005921 .032143 .101812 .227728 .398973 .584107 .868412"),
    (30, 19, ".000089 .002942 .025616 .105728 .269630 .492242 .708528 .950631"),
    (50, 34, ".000017 .001950 .030803 .163083 .430822 .719896 .904498 .996700"),
    (100, 72, ".000000 .000613 .034152 .277619 .703634 .944192 .995400 .999998"),
]


@pytest.mark.parametrize(("trials", "cut", "expected"), ONE_LOOK)
def test_one_look_at_the_rate(trials, cut, expected):
    assert RULE.largest_flagged(trials) == cut
    assert flag_probability(RULE, RATES, trials=trials) == printed(expected)
    assert ever_flag_probability(RULE, RATES, volumes=[trials]).probability == printed(expected)


def test_the_exact_interval_flags_less_and_one_sided_bounds_more():
    # Own earlier computation; R pbinom (independent).
    sizes = [10, 20, 30, 50, 100]
    exact = RateRule(target=0.80, minimum=10, bound=Bound.EXACT)
    assert [exact.largest_flagged(n) for n in sizes] == [4, 11, 18, 33, 71]
    assert (flag_probability(exact, 0.80, trials=sizes) <= 0.025).all()
    # A two-sided 90% interval has the one-sided 95% bound.
    one_sided = RateRule(target=0.80, minimum=10, confidence=0.90)
    assert [one_sided.largest_flagged(n) for n in sizes] == [5, 13, 20, 35, 73]
    assert flag_probability(one_sided, 0.80, trials=sizes) == printed(".0328 .0867 .0611 .0607 .0558")


def test_the_bare_rate_flags_two_in_five_who_are_on_target():
    # Own earlier computation; R pbinom (independent).
    bare = RateRule(target=0.80, minimum=10, bound=Bound.BARE)
    assert flag_probability(bare, 0.80, trials=[10, 30, 100]) == printed(".3222 .3930 .4405")
    # A rate equal to the target is not below it.
    assert bare.largest_flagged(10) == 7


def test_a_volume_that_varies():
    # Own earlier computation: 30 insertions on average, Poisson, at least 10.
    found = flag_probability(RULE, [0.80, 0.70, 0.60], trials=Volume(30))
    assert found == printed(".031244 .294246 .723190")


@pytest.mark.parametrize(
    ("looks", "expected"),
    # Exact recursion, own earlier computation: the whole record looked at after every insertion from the tenth.
    [
        (30, ".02836 .10396 .45575 .82746"),
        (50, ".03145 .12994 .61194 .94913"),
        (100, ".03304 .16267 .82765 .99798"),
    ],
)
def test_looking_after_every_insertion_of_a_growing_record(looks, expected):
    found = ever_flag_probability(WHOLE_RECORD, [0.85, 0.80, 0.70, 0.60], volumes=[1] * looks)
    assert found.probability == printed(expected)
    assert (found.standard_error == 0).all()


def test_looking_every_month_at_the_last_twelve():
    # Simulation of 40,000 records, own earlier computation: 48 insertions in the window, 96 in all. Exact here.
    found = ever_flag_probability(
        RateRule(target=0.80, minimum=20, window=12), [0.85, 0.80, 0.70, 0.65], volumes=[4] * 24
    )
    simulated = np.array([0.0186, 0.146, 0.802, 0.960])
    error = np.sqrt(simulated * (1 - simulated) / 40_000)
    assert (np.abs(found.probability - simulated) < 4 * error + 0.0005).all()
    assert (found.standard_error == 0).all()


def sequences(length):
    return np.array(list(product((0, 1), repeat=length)))


def weigh(failures, failure_rate):
    failed = failures.sum(axis=1)
    return failure_rate**failed * (1 - failure_rate) ** (failures.shape[1] - failed)


def ends_of(volumes):
    return np.cumsum(volumes)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.integers(0, 3), min_size=1, max_size=7).filter(lambda v: sum(v) <= 12),
    st.floats(0, 1),
    st.integers(1, 8),
    st.integers(1, 6),
    st.floats(0.3, 0.9),
    st.floats(0.5, 0.95),
    st.data(),
)
def test_rolling_records_equal_every_record_tried(volumes, success_rate, window, minimum, target, confidence, data):
    first_look = data.draw(st.integers(1, len(volumes)))
    rule = RateRule(target=target, minimum=minimum, confidence=confidence, window=window)
    failures = sequences(sum(volumes))
    ends = ends_of(volumes)
    flagged = np.zeros(len(failures), dtype=bool)
    for look in range(first_look, len(volumes) + 1):
        begin = ends[look - window - 1] if look > window else 0
        held = failures[:, begin : ends[look - 1]]
        if held.shape[1] >= minimum:
            made = held.shape[1] - held.sum(axis=1)
            flagged |= wilson_interval(made, held.shape[1], confidence=confidence).upper < target
    expected = weigh(failures, 1 - success_rate)[flagged].sum()
    found = ever_flag_probability(rule, success_rate, volumes=volumes, first_look=first_look)
    assert found.probability == pytest.approx(expected, abs=1e-12)
    assert found.standard_error == 0


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.integers(0, 3), min_size=1, max_size=6).filter(lambda v: sum(v) <= 12),
    st.floats(0, 1),
    st.integers(1, 5),
    st.data(),
)
def test_runs_equal_every_record_tried(volumes, success_rate, length, data):
    first_look = data.draw(st.integers(1, len(volumes)))
    failures = sequences(sum(volumes))
    flagged = np.zeros(len(failures), dtype=bool)
    for end in ends_of(volumes)[first_look - 1 :]:
        if end >= length:
            flagged |= failures[:, end - length : end].all(axis=1)
    expected = weigh(failures, 1 - success_rate)[flagged].sum()
    found = ever_flag_probability(RunRule(length), success_rate, volumes=volumes, first_look=first_look)
    assert found.probability == pytest.approx(expected, abs=1e-12)


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.integers(1, 3), min_size=1, max_size=6).filter(lambda v: sum(v) <= 12),
    st.floats(0, 400),
    st.integers(1, 5),
)
def test_recency_is_a_run_of_days_without_an_insertion(volumes, yearly, days):
    empty = sequences(sum(volumes))
    flagged = np.zeros(len(empty), dtype=bool)
    for end in ends_of(volumes):
        if end >= days:
            flagged |= empty[:, end - days : end].all(axis=1)
    expected = weigh(empty, np.exp(-yearly / 365))[flagged].sum()
    found = ever_flag_probability(RecencyRule(days), yearly, volumes=volumes)
    assert found.probability == pytest.approx(expected, abs=1e-12)


@settings(deadline=None, max_examples=25)
@given(
    st.floats(20, 300),
    st.integers(1, 4),
    st.integers(2, 3),
    st.lists(st.integers(1, 2), min_size=1, max_size=5).filter(lambda v: sum(v) <= 5),
)
def test_too_few_in_a_window_of_days_equals_every_record_tried(yearly, minimum, days, volumes):
    # Ten counts for each day: the tail beyond is below 1e-9 at this pace.
    ends = ends_of(volumes)
    asked = [end for end in ends if end >= days]
    if not asked or asked[-1] > asked[0] + days:
        return
    counts = np.indices((10,) * int(ends[-1])).reshape(int(ends[-1]), -1)
    chance = stats.poisson.pmf(counts, yearly / 365).prod(axis=0)
    flagged = np.zeros(counts.shape[1], dtype=bool)
    for end in asked:
        flagged |= counts[end - days : end].sum(axis=0) < minimum
    found = ever_flag_probability(VolumeRule(minimum, days=days), yearly, volumes=volumes)
    assert found.probability == pytest.approx(chance[flagged].sum(), abs=1e-7)
    assert found.standard_error == 0


@pytest.mark.parametrize("success_rate", [0.85, 0.80, 0.70])
@pytest.mark.parametrize("volumes", [(4,) * 24, (2,) * 36, (0, 5, 3, 0, 9, 1) * 4])
def test_the_simulation_agrees_with_the_recursion(success_rate, volumes):
    window = 12
    total = np.cumsum((0, *volumes))
    held = [int(total[i] - total[max(0, i - window)]) for i in range(1, len(volumes) + 1)]
    rule = RateRule(target=0.80, minimum=20)
    passing = tuple(n - rule.largest_flagged(n) - 1 for n in held)
    record = Record(volumes, window, passing, usual_rate=0.2)
    exact = float(ever_over(record, np.array([1 - success_rate])).probability[0])
    assert exact == pytest.approx(ever_flag_probability(rule, success_rate, volumes=volumes).probability, abs=1e-12)
    assert abs(_simulated(record, 1 - success_rate) - exact) < 4 * np.sqrt(exact * (1 - exact) / 50_000) + 1e-12


def test_too_busy_and_long_a_record_is_simulated_and_says_so():
    rule = RateRule(target=0.80, minimum=20)
    found = ever_flag_probability(rule, [0.85, 0.80, 0.99], volumes=[6] * 36)
    assert (found.standard_error > 0).all()
    two_years = ever_flag_probability(rule, [0.85, 0.80, 0.99], volumes=[6] * 24)
    assert (two_years.standard_error == 0).all()
    # A third year can only add.
    assert (found.probability > two_years.probability - 4 * found.standard_error).all()
    again = ever_flag_probability(rule, [0.85, 0.80, 0.99], volumes=[6] * 36)
    assert (again.probability == found.probability).all()


def growing(rule, success_rate, volumes):
    """Forward over the successes so far, one look after each volume."""
    here, n, flagged = np.ones(1), 0, 0.0
    for volume in volumes:
        n += volume
        here = np.convolve(here, stats.binom.pmf(np.arange(volume + 1), volume, success_rate))
        cut = rule.largest_flagged(n)
        flagged += here[: cut + 1].sum()
        here[: cut + 1] = 0
    return flagged


@pytest.mark.parametrize("looks", [30, 79, 81])
def test_a_growing_record_equals_a_forward_pass_at_each_rate(looks):
    # Up to 800 insertions one walk serves all rates; 810 have a walk each.
    rates = [0.45, 0.7, 0.78, 0.8, 0.85, 0.97]
    found = ever_flag_probability(WHOLE_RECORD, rates, volumes=[10] * looks).probability
    assert found == pytest.approx([growing(WHOLE_RECORD, rate, [10] * looks) for rate in rates], abs=1e-12)


@pytest.mark.parametrize("walked_at", [0.05, 0.2, 0.35, 0.5])
def test_where_the_walk_is_made_does_not_matter(walked_at):
    rates = np.linspace(0.01, 0.6, 12)
    passing = tuple(min(4 * n, 48) // 3 for n in range(1, 25))
    one, other = (
        ever_over(Record((4,) * 24, 12, passing, usual_rate=rate), rates).probability for rate in (walked_at, 0.25)
    )
    assert one == pytest.approx(other, abs=1e-12)


@given(st.integers(1, 120), st.floats(0.001, 0.999) | st.sampled_from([0.0, 1.0]))
@settings(deadline=None)
def test_one_look_is_the_sum_over_the_counts_that_the_interval_flags(trials, success_rate):
    counts = np.arange(trials + 1)
    for bound, interval in ((Bound.WILSON, wilson_interval), (Bound.EXACT, exact_interval)):
        rule = RateRule(target=0.8, minimum=5, bound=bound)
        flagged = interval(counts, np.full(trials + 1, trials)).upper < 0.8
        expected = stats.binom.pmf(counts, trials, success_rate)[flagged].sum() if trials >= 5 else 0
        assert flag_probability(rule, success_rate, trials=trials) == pytest.approx(expected, abs=1e-12)


@given(st.integers(10, 200), st.floats(0.01, 0.98))
def test_better_clinicians_are_flagged_less(trials, success_rate):
    for rule in (RULE, DriftRule(0.2, 0.35, 3.0), RunRule(3)):
        low, high = flag_probability(rule, [success_rate, success_rate + 0.01], trials=trials)
        assert high <= low + 1e-12


def test_fewer_than_the_minimum_are_never_flagged():
    assert flag_probability(RULE, [0.0, 0.8, 1.0], trials=9).tolist() == [0, 0, 0]
    assert ever_flag_probability(RULE, [0.0, 0.8], volumes=[3] * 3).probability.tolist() == [0, 0]
    assert flag_probability(RULE, 0.5, trials=0) == 0


def test_always_failing_is_flagged_and_never_failing_is_not():
    for rule in (RULE, DriftRule(0.2, 0.35, 4.0), RunRule(4)):
        assert flag_probability(rule, [0.0, 1.0], trials=30).tolist() == [1, 0]
        found = ever_flag_probability(rule, [0.0, 1.0], volumes=[5] * 6)
        assert found.probability == pytest.approx([1, 0], abs=1e-15)


def test_a_rule_that_is_silent_until_its_window_is_full_flags_less():
    rule = RateRule(target=0.80, minimum=20)
    always = ever_flag_probability(rule, 0.80, volumes=[4] * 24).probability
    full = ever_flag_probability(rule, 0.80, volumes=[4] * 24, first_look=12).probability
    once = ever_flag_probability(rule, 0.80, volumes=[4] * 24, first_look=24).probability
    assert once < full < always
    assert once == pytest.approx(flag_probability(rule, 0.80, trials=48), abs=1e-12)


def test_drift_is_the_chance_of_a_signal_and_does_not_depend_on_the_looks():
    rule = DriftRule(acceptable=0.20, unacceptable=0.35, limit=4.0)
    weights = score_weights(0.20, 0.35)
    expected = signal_probability([0.2, 0.35], weights=weights, limit=4.0, attempts=50)
    assert flag_probability(rule, [0.80, 0.65], trials=50) == pytest.approx(expected, abs=1e-12)
    for volumes in ([1] * 50, [50], [10, 0, 40]):
        found = ever_flag_probability(rule, [0.80, 0.65], volumes=volumes)
        assert found.probability == pytest.approx(expected, abs=1e-12)
    lengths = attempts_to_flag(rule, [0.80, 0.65])
    assert lengths.mean == pytest.approx(run_length([0.2, 0.35], weights=weights, limit=4.0).mean, rel=1e-9)
    assert flag_probability(rule, [0.80, 0.65], trials=[50, 100]) == printed(".01913 .90348")


@given(st.integers(1, 9), st.floats(0.02, 0.98))
def test_the_wait_for_a_run_is_fellers(length, success_rate):
    # Feller (1968), An Introduction to Probability Theory and Its Applications, vol. 1, XIII.7, equations 7.7 and 7.8.
    q, p = 1 - success_rate, success_rate
    mean = (1 - q**length) / (p * q**length)
    variance = 1 / (p * q**length) ** 2 - (2 * length + 1) / (p * q**length) - q / p**2
    found = attempts_to_flag(RunRule(length), success_rate)
    assert found.mean == pytest.approx(mean, rel=1e-6)
    assert found.deviation == pytest.approx(np.sqrt(max(0, variance)), rel=1e-6, abs=1e-5)


def test_a_run_looked_at_after_each_insertion_is_a_cusum_that_a_success_throws_back():
    rule = RunRule(3)
    found = ever_flag_probability(rule, [0.9, 0.7], volumes=[1] * 60)
    other = signal_probability([0.1, 0.3], weights=Weights(1.0, -3.0), limit=3.0, attempts=60)
    assert found.probability == pytest.approx(other, abs=1e-12)
    assert flag_probability(rule, [0.9, 0.7], trials=60) == pytest.approx([0.001, 0.027], abs=1e-15)
    assert flag_probability(rule, 0.5, trials=2) == 0


def test_looking_less_often_hides_runs():
    each, weekly = (ever_flag_probability(RunRule(3), 0.7, volumes=v).probability for v in ([1] * 60, [5] * 12))
    assert weekly < each


@given(st.floats(0, 1), st.integers(0, 300))
def test_each_entry_by_itself(chance, entries):
    expected = 1 - (1 - chance) ** entries
    assert flag_probability(EntryRule(), chance, trials=entries) == pytest.approx(expected, abs=1e-12)


def test_the_wait_for_an_event_is_geometric():
    found = attempts_to_flag(EntryRule(), [0.0, 0.02, 1.0])
    assert found.mean.tolist() == [np.inf, 50, 1]
    assert found.deviation == pytest.approx([np.inf, np.sqrt(0.98) / 0.02, 0])
    rare = flag_probability(EntryRule(), 1e-12, trials=3)
    assert rare == pytest.approx(3e-12, rel=1e-9)


@given(st.floats(0, 300), st.integers(1, 30), st.floats(0.05, 3))
def test_too_few_at_one_look_is_a_poisson_or_negative_binomial_sum(yearly, minimum, dispersion):
    plain = flag_probability(VolumeRule(minimum), yearly, trials=365)
    assert plain == pytest.approx(stats.poisson.cdf(minimum - 1, yearly), abs=1e-12)
    mixed = flag_probability(VolumeRule(minimum, dispersion=dispersion), yearly, trials=400)
    size = 1 / dispersion
    assert mixed == pytest.approx(stats.nbinom.cdf(minimum - 1, size, size / (size + yearly)), abs=1e-12)
    assert flag_probability(VolumeRule(minimum), yearly, trials=364) == 0


@given(st.floats(0, 300), st.integers(1, 365), st.floats(0.05, 3))
def test_no_insertion_for_so_many_days_at_one_look(yearly, days, dispersion):
    mean = yearly * days / 365
    assert flag_probability(RecencyRule(days), yearly, trials=days) == pytest.approx(np.exp(-mean), abs=1e-12)
    mixed = flag_probability(RecencyRule(days, dispersion=dispersion), yearly, trials=days)
    size = 1 / dispersion
    assert mixed == pytest.approx(stats.nbinom.pmf(0, size, size / (size + mean)), abs=1e-12)
    assert flag_probability(RecencyRule(days), yearly, trials=days - 1) == 0


@pytest.mark.parametrize("dispersion", [0.1, 0.5, 1.0, 2.5])
@pytest.mark.parametrize(
    "rule", [lambda d: RecencyRule(60, dispersion=d), lambda d: VolumeRule(4, days=60, dispersion=d)]
)
def test_clinicians_who_differ_are_a_gamma_mixture(rule, dispersion):
    volumes = [10] * 12
    mean = 25.0
    shape, scale = 1 / dispersion, mean * dispersion

    def share(rate):
        chance = ever_flag_probability(rule(0.0), rate, volumes=volumes).probability
        return chance * stats.gamma.pdf(rate, shape, scale=scale)

    top = float(stats.gamma.isf(1e-12, shape, scale=scale))
    # Cut where the density is steep, near 0.
    cuts = [0, top * 1e-6, top * 1e-4, top * 1e-2, top * 0.1, top]
    expected = sum(integrate.quad(share, low, high, epsabs=1e-11, epsrel=1e-9)[0] for low, high in pairwise(cuts))
    found = ever_flag_probability(rule(dispersion), mean, volumes=volumes).probability
    # quad itself is poor at an unbounded density.
    assert found == pytest.approx(expected, abs=1e-8 if dispersion <= 1 else 1e-4)


@pytest.mark.parametrize("dispersion", [0.0, 0.5])
def test_a_mixture_over_one_look_is_its_closed_form(dispersion):
    for rule in (RecencyRule(90, dispersion=dispersion), VolumeRule(12, dispersion=dispersion)):
        once = ever_flag_probability(rule, [0.0, 8.0, 30.0], volumes=[365]).probability
        assert once == pytest.approx(flag_probability(rule, [0.0, 8.0, 30.0], trials=365), abs=1e-9)


@pytest.mark.parametrize("dispersion", [0.0, 0.5])
def test_daily_looks_at_the_last_year_agree_with_a_simulation(dispersion):
    rule = VolumeRule(12, dispersion=dispersion)
    exact = ever_flag_probability(rule, 20.0, volumes=[365] + [5] * 73)
    assert exact.standard_error == 0
    # One look more leaves what the recursion can hold.
    simulated = ever_flag_probability(rule, 20.0, volumes=[365] + [5] * 73 + [1])
    assert simulated.standard_error > 0
    assert abs(simulated.probability - exact.probability) < 4 * simulated.standard_error + 0.001


def test_no_pace_at_all_is_always_too_few_and_never_recent():
    assert ever_flag_probability(VolumeRule(1), 0.0, volumes=[365, 1]).probability == pytest.approx(1)
    assert ever_flag_probability(RecencyRule(90), 0.0, volumes=[1] * 90).probability == pytest.approx(1)
    assert ever_flag_probability(RecencyRule(90), 0.0, volumes=[1] * 89).probability == 0
    assert ever_flag_probability(VolumeRule(1), 0.0, volumes=[364]).probability == 0
    assert ever_flag_probability(VolumeRule(5), 5000.0, volumes=[365] + [1] * 365).probability < 1e-12


# Own earlier computation: J q and 1 - (1 - q)^J; the q of 200 is the chance at one look of 30.
def test_false_flags_over_a_register_at_one_look():
    found = expected_false_flags(RULE, 0.80, volumes=[[30]] * 200)
    assert found.expected == printed("5.1233")
    assert found.any == printed(".99443")
    assert found.standard_error == 0


@pytest.mark.parametrize(("limit", "expected"), [(3, "16.03"), (4, "3.826"), (4.5, "1.814")])
def test_false_drift_flags_over_a_register(limit, expected):
    # Own earlier computation: 200 clinicians, 50 insertions each.
    found = expected_false_flags(DriftRule(0.20, 0.35, limit), 0.80, volumes=[[1] * 50] * 200)
    assert found.expected == printed(expected)


@pytest.mark.parametrize(
    ("clinicians", "chance", "expected", "at_least_one"),
    # Own earlier computation.
    [(100, 0.025, "2.5", ".92048"), (500, 0.001, "0.5", ".39362")],
)
def test_burden_of_a_given_chance(clinicians, chance, expected, at_least_one):
    found = expected_false_flags(EntryRule(), chance, volumes=[[1]] * clinicians)
    assert found.expected == printed(expected)
    assert found.any == printed(at_least_one)
    law = stats.binom(clinicians, chance)
    assert found.probabilities == pytest.approx(law.pmf(np.arange(clinicians + 1)), abs=1e-12)
    for level in (0.5, 0.95, 0.999):
        assert found.quantile(level) == law.ppf(level)


def test_a_register_with_volumes_and_rates_of_its_own():
    rule = RateRule(target=0.80, minimum=20)
    volumes = [[4] * 24, [1] * 24, [3, 0, 0, 5] * 6, [0] * 24, [8] * 20]
    rates = [0.80, 0.85, 0.82, 0.80, 0.90]
    chances = [ever_flag_probability(rule, r, volumes=v).probability for r, v in zip(rates, volumes, strict=True)]
    found = expected_false_flags(rule, rates, volumes=volumes)
    assert found.expected == pytest.approx(sum(chances), abs=1e-12)
    assert found.any == pytest.approx(1 - np.prod(1 - np.array(chances)), abs=1e-12)
    assert found.probabilities == pytest.approx(stats.poisson_binom.pmf(np.arange(6), chances), abs=1e-12)
    assert chances[1] == chances[3] == 0


def test_each_entry_of_a_kind_raises_a_flag_of_its_own():
    found = expected_false_flags(EntryRule(), [0.1, 0.2], volumes=[[5], [2, 3]])
    assert found.expected == pytest.approx(1.5)
    joint = np.convolve(stats.binom.pmf(np.arange(6), 5, 0.1), stats.binom.pmf(np.arange(6), 5, 0.2))
    assert found.probabilities == pytest.approx(joint, abs=1e-12)


def test_a_simulated_chance_carries_its_error_into_the_register():
    rule = RateRule(target=0.80, minimum=20)
    one = ever_flag_probability(rule, 0.80, volumes=[6] * 36)
    found = expected_false_flags(rule, 0.80, volumes=[[6] * 36] * 4)
    assert found.standard_error == pytest.approx(2 * one.standard_error)


@given(st.lists(st.floats(0, 1), max_size=20), st.floats(0.01, 0.999))
def test_chances_found_elsewhere_add_up_alike(chances, level):
    found = FalseFlags.from_chances(chances)
    other = expected_false_flags(EntryRule(), chances, volumes=[[1]] * len(chances))
    assert found.expected == pytest.approx(other.expected, abs=1e-12)
    assert found.probabilities == pytest.approx(other.probabilities, abs=1e-12)
    assert found.quantile(level) == pytest.approx(other.quantile(level), abs=1)


def test_an_empty_register_has_no_flags():
    found = expected_false_flags(RULE, [], volumes=[])
    assert (found.expected, found.any, found.quantile(0.999)) == (0, 0, 0)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30), st.floats(0.01, 0.999))
def test_a_quantile_is_the_first_number_that_holds_the_level(chances, level):
    found = expected_false_flags(EntryRule(), chances, volumes=[[1]] * len(chances))
    below = np.cumsum(found.probabilities)
    number = found.quantile(level)
    assert below[number] >= level - 1e-12
    assert number == 0 or below[number - 1] < level


def test_volumes_have_the_laws_that_they_name():
    numbers, shares = Volume(30).law()
    assert shares.sum() == pytest.approx(1, abs=1e-12)
    assert numbers @ shares == pytest.approx(30, rel=1e-12)
    numbers, shares = Volume(30, dispersion=0.4).law()
    assert numbers @ shares == pytest.approx(30, rel=1e-9)
    assert (numbers - 30) ** 2 @ shares == pytest.approx(30 + 0.4 * 900, rel=1e-9)
    assert Volume(0).law()[1].tolist() == [1]


def test_arrays_in_arrays_out():
    rates = np.array([[0.7, 0.8], [0.85, 0.9]])
    one = flag_probability(RULE, rates, trials=30)
    ever = ever_flag_probability(RULE, rates, volumes=[5] * 6)
    assert one.shape == ever.probability.shape == ever.standard_error.shape == (2, 2)
    assert flag_probability(RULE, rates, trials=[[10, 20], [30, 50]])[1, 0] == one[1, 0]
    assert isinstance(flag_probability(RULE, 0.8, trials=30), float)
    assert isinstance(ever_flag_probability(RULE, 0.8, volumes=[30]).probability, float)
    assert isinstance(attempts_to_flag(RunRule(3), 0.8).mean, float)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: RateRule(target=0, minimum=10), "target"),
        (lambda: RateRule(target=1, minimum=10), "target"),
        (lambda: RateRule(target=0.8, minimum=0), "minimum"),
        (lambda: RateRule(target=0.8, minimum=10, confidence=1), "confidence"),
        (lambda: RateRule(target=0.8, minimum=10, window=0), "window"),
        (lambda: DriftRule(0.35, 0.2, 4), "acceptable 0.35"),
        (lambda: DriftRule(0.2, 0.35, 0), "limit"),
        (lambda: RunRule(0), "length"),
        (lambda: RecencyRule(0), "days"),
        (lambda: RecencyRule(90, dispersion=-1), "dispersion"),
        (lambda: VolumeRule(0), "minimum"),
        (lambda: VolumeRule(5, days=0), "days"),
        (lambda: VolumeRule(5, dispersion=float("nan")), "dispersion"),
        (lambda: Volume(-1), "-1"),
        (lambda: flag_probability(RULE, 1.2, trials=30), "1.2"),
        (lambda: flag_probability(RULE, 0.8, trials=30.5), "30.5"),
        (lambda: flag_probability(EntryRule(), -0.1, trials=3), "-0.1"),
        (lambda: flag_probability(RecencyRule(90), -3.0, trials=90), "-3"),
        (lambda: attempts_to_flag(RunRule(3), 1.2), "1.2"),
        (lambda: ever_flag_probability(RULE, 0.8, volumes=[]), r"\(0,\)"),
        (lambda: ever_flag_probability(RULE, 0.8, volumes=[3, -1]), "-1"),
        (lambda: ever_flag_probability(RULE, 0.8, volumes=[[3], [1]]), r"\(2, 1\)"),
        (lambda: ever_flag_probability(RULE, 0.8, volumes=[3, 1], first_look=3), "3"),
        (lambda: ever_flag_probability(RULE, 0.8, volumes=[3, 1], first_look=0), "0"),
        (lambda: expected_false_flags(RULE, [0.8, 0.8], volumes=[[3]]), "2 rates and 1 volumes"),
        (lambda: expected_false_flags(RULE, 0.8, volumes=[[30]]).quantile(1), "level"),
    ],
)
def test_rules_and_questions_without_meaning_are_refused(make, message):
    with pytest.raises(ValueError, match=message):
        make()
