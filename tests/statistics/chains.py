"""The other way to every run length: write the states down and solve the linear system.

These know nothing of the code under test. They are checked against printed run lengths of normal data in
test_chains.py, so that they can serve as the measure for ours.
"""

import numpy as np
from scipy import sparse, stats
from scipy.sparse.linalg import spsolve


def solve(stay):
    """Mean and deviation of the steps to absorption from each state, given the moves between transient states."""
    system = np.eye(len(stay)) - stay
    mean = np.linalg.solve(system, np.ones(len(stay)))
    second = np.linalg.solve(system, 1 + 2 * stay @ mean)
    return mean, np.sqrt(second - mean**2)


def lattice(failure_rate, *, up, down, limit):
    """Moves between the scores 0 ... limit - 1: up by `up` on a failure, down by `down` on a success, floored at 0."""
    stay = np.zeros((limit, limit))
    for score in range(limit):
        if score + up < limit:
            stay[score, score + up] += failure_rate
        stay[score, max(0, score - down)] += 1 - failure_rate
    return stay


def signalled_within(stay, attempts):
    """Probability of absorption within so many steps from state 0."""
    here = np.zeros(len(stay))
    here[0] = 1
    for _ in range(attempts):
        here = here @ stay
    return 1 - here.sum()


def pairs_run_length(failure_rate, *, failure, success, limit, longest):
    """Mean run length with the pairs (failures, successes) since 0 as states, up to `longest` insertions of a round."""
    place, queue, moves = {(0, 0): 0}, [(0, 0)], []
    while queue:
        failed, made = queue.pop()
        for new, chance in (((failed + 1, made), failure_rate), ((failed, made + 1), 1 - failure_rate)):
            height = new[0] * failure + new[1] * success
            if height >= limit - 1e-9:
                continue
            if height <= 1e-9 or sum(new) >= longest:
                new = (0, 0)
            if new not in place:
                place[new] = len(place)
                queue.append(new)
            moves.append((place[failed, made], place[new], chance))
    rows, columns, chances = zip(*moves, strict=True)
    size = len(place)
    stay = sparse.csc_matrix((chances, (rows, columns)), shape=(size, size))
    return spsolve(sparse.identity(size, format="csc") - stay, np.ones(size))[0]


def normal_states(*, reference, limit, mean, states):
    """Brook and Evans's chain for a one-sided cusum of normal data: states of width 2 limit/(2 states - 1)."""
    width = 2 * limit / (2 * states - 1)
    step = np.arange(states) - np.arange(states)[:, np.newaxis]
    edge = step * width + width / 2 + reference - mean
    stay = stats.norm.cdf(edge) - stats.norm.cdf(edge - width)
    stay[:, 0] = stats.norm.cdf(edge[:, 0])
    return stay


def normal_run_length(*, reference, limit, mean, start=0.0, nodes=80):
    """The integral equation of the same, by Gauss-Legendre quadrature; the first unknown is the run length from 0."""
    points, weights = np.polynomial.legendre.leggauss(nodes)
    points, weights = (points + 1) * limit / 2, weights * limit / 2
    heights = np.concatenate(([0.0], points))
    shift = reference - mean
    stay = np.empty((nodes + 1, nodes + 1))
    stay[:, 0] = stats.norm.cdf(shift - heights)
    stay[:, 1:] = weights * stats.norm.pdf(points - heights[:, np.newaxis] + shift)
    runs, _ = solve(stay)
    if start == 0:
        return runs[0]
    return 1 + runs[0] * stats.norm.cdf(shift - start) + (weights * stats.norm.pdf(points - start + shift)) @ runs[1:]


def two_sided(*, reference, limit, mean, start=0.0):
    """Run length of an upper and a lower cusum together (Lucas and Crosier 1982)."""
    common = {"reference": reference, "limit": limit}
    up, down = (normal_run_length(**common, mean=m) for m in (mean, -mean))
    head_up, head_down = (normal_run_length(**common, mean=m, start=start) for m in (mean, -mean))
    return (head_up * down + head_down * up - up * down) / (up + down)
