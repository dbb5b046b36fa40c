"""The measure that run lengths are held against, itself held against print.

Kinds: read - text seen; quoted - a published figure as quoted by a named library's documentation or tests;
independent - computed by another library; memory - not seen.
"""

import numpy as np
import pytest

from tests.statistics.chains import normal_run_length, normal_states, solve, two_sided
from tests.statistics.printed import printed

SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5)


@pytest.mark.parametrize(
    ("mean", "paper", "exact"),
    [
        # Brook and Evans (1972), Biometrika 59:539, section 4.3 (quoted in R spc, help of xcusum.arl); exact: spc
        # 0.6.7 (independent).
        (0, 117.59, "117.5957"),
        (1.5, 3.75, "3.749108"),
    ],
)
def test_one_sided_run_lengths_of_brook_and_evans(mean, paper, exact):
    found = normal_run_length(reference=0.5, limit=3, mean=mean)
    assert found == printed(exact)
    assert found == pytest.approx(paper, abs=0.01)


@pytest.mark.parametrize(("states", "expected"), [(5, "113.4739"), (10, "116.6321"), (50, "117.5598")])
def test_the_plain_chain_of_few_states_nears_the_exact_run_length(states, expected):
    # Own earlier computation, cross-checked by the limit 117.5957 (R spc, independent).
    mean, _ = solve(normal_states(reference=0.5, limit=3, mean=0, states=states))
    assert mean[0] == printed(expected)


def test_two_sided_run_lengths_of_lucas_and_crosier():
    found = [two_sided(reference=0.5, limit=4, mean=shift) for shift in SHIFTS]
    # Lucas and Crosier (1982), Technometrics 24:199, Table 1 (quoted in R spc).
    assert found == pytest.approx([168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31], rel=5e-3)
    # R spc 0.6.7 (independent).
    assert found == printed("167.6838 74.2240 26.6302 13.2851 8.38313 4.74717 3.34277 2.61952 2.19448 1.70846 1.30874")


def test_two_sided_run_lengths_with_a_head_start():
    found = [two_sided(reference=0.5, limit=4, mean=shift, start=2) for shift in SHIFTS]
    # Lucas and Crosier (1982), Table 1 (quoted in R spc).
    assert found == pytest.approx([149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07, 1.01], rel=5e-3)


def test_two_sided_run_lengths_at_a_limit_of_five():
    found = [two_sided(reference=0.5, limit=5, mean=shift) for shift in SHIFTS]
    # R spc 0.6.7 (independent).
    assert found == printed(
        "465.4435 139.4937 37.9961 17.0483 10.37597 5.74722 4.00887 3.11369 2.57325 2.01257 1.69380"
    )
    # One-sided 335 and 930 of the NIST/SEMATECH e-Handbook 6.3.2.3.1 (memory), digits R spc (independent).
    assert normal_run_length(reference=0.5, limit=4, mean=0) == printed("335.3676")
    assert normal_run_length(reference=0.5, limit=5, mean=0) == printed("930.8870")


def test_one_sided_run_lengths_of_vance():
    shifts = (-0.25, -0.125, 0, 0.125, 0.25, 0.5, 0.75, 1)
    found = [normal_run_length(reference=0, limit=10, mean=shift) for shift in shifts]
    # Vance (1986), J Qual Technol 18, Table 1 (quoted in R spc); his first value is not quite converged: 2071.57.
    assert found == pytest.approx([2071.51, 400.28, 124.66, 59.30, 36.71, 20.37, 14.06, 10.75], abs=0.07)
    assert found[0] == printed("2071.57")


def test_one_sided_run_lengths_of_waldmann():
    found = [normal_run_length(reference=0.5, limit=3, mean=shift) for shift in (-0.5, 0, 0.5)]
    # Waldmann (1986), Technometrics 28 (quoted in R spc), his 117.4 a little low; exact: R spc (independent).
    assert found == pytest.approx([1963, 117.4, 17.35], rel=2e-3)
    assert found == printed("1962.795 117.5957 17.35052")


def test_one_sided_run_length_of_the_sas_manual():
    # SAS/QC manual (1999), as quoted in R spc: 4.1500836225. Converged here at 4.15008373: the last digits differ.
    assert normal_run_length(reference=0.25, limit=8, mean=2.5) == pytest.approx(4.1500836225, rel=1e-6)


def test_a_chain_that_leaves_at_once_takes_one_step():
    mean, deviation = solve(np.zeros((1, 1)))
    assert (mean[0], deviation[0]) == (1, 0)
