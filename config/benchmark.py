"""How fast is it, against the least that could be needed and against the plain way, in one run?

A job is the same question asked three ways: a floor (the least that any way must do), the plain way, and ours. The
rounds interleave them, so that whatever else the machine does slows all three; what counts is the ratio. Each way must
give the same answer, or the job does not hold: nobody gets faster by computing less. Performance is never asserted in
tests.
"""

import os
import platform
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from statistics import median
from time import perf_counter
from typing import Any

import numpy as np

from audits.statistics.operating import (
    DriftRule,
    RateRule,
    attempts_to_flag,
    ever_flag_probability,
    flag_probability,
)
from audits.statistics.sequential import limit_for_run_length
from audits.statistics.shapes import Floats

ROUNDS = 5


@dataclass(frozen=True)
class Goal:
    """What is aimed at, in words, and whether seconds of floor, plain way and ours meet it."""

    text: str
    met: Callable[[float | None, float | None, float], bool]


@dataclass(frozen=True, kw_only=True)
class Job:
    """One question, asked up to three ways.

    `differs` gets the three answers (None for a way that is missing) and says what differs, or nothing. `prepare` runs
    before every single call and is not timed: it empties caches.
    """

    name: str
    engine: str
    ours: Callable[[], Any]
    goal: Goal
    differs: Callable[[Any, Any, Any], str]
    floor: Callable[[], Any] | None = None
    naive: Callable[[], Any] | None = None
    prepare: Callable[[], None] = lambda: None


@dataclass(frozen=True)
class Row:
    """Medians in seconds, ours over the floor (or the plain way, where there is no floor), and whether the goal is met.

    `spread` is the range of our rounds over their median. `reason` says why it does not hold, if answers differ.
    """

    job: str
    engine: str
    floor_s: float | None
    naive_s: float | None
    ours_s: float
    ratio: float | None
    spread: float
    goal: str
    holds: bool
    reason: str = ""


def measure(job: Job, *, rounds: int = ROUNDS) -> Row:
    """Run the ways of a job in turn, round after round, and compare what they answer."""
    ways = {"floor": job.floor, "naive": job.naive, "ours": job.ours}
    seconds: dict[str, list[float]] = {name: [] for name in ways}
    reason = ""
    for _ in range(rounds):
        answers: dict[str, Any] = {}
        for name, way in ways.items():
            answers[name] = None
            if way is None:
                continue
            job.prepare()
            start = perf_counter()
            answers[name] = way()
            seconds[name].append(perf_counter() - start)
        reason = reason or job.differs(answers["floor"], answers["naive"], answers["ours"])
    floor, naive, ours = (median(taken) if taken else None for taken in seconds.values())
    assert ours is not None
    least = floor if floor is not None else naive
    return Row(
        job=job.name,
        engine=job.engine,
        floor_s=floor,
        naive_s=naive,
        ours_s=ours,
        ratio=ours / least if least else None,
        spread=(max(seconds["ours"]) - min(seconds["ours"])) / ours,
        goal=job.goal.text,
        holds=not reason and job.goal.met(floor, naive, ours),
        reason=reason,
    )


def document(rows: Iterable[Row]) -> dict[str, Any]:
    return {"machine": machine(), "rows": [asdict(row) for row in rows]}


def machine() -> dict[str, Any]:
    """What it ran on, and how busy that was."""
    return {
        "python": platform.python_version(),
        "system": platform.platform(),
        "processors": os.cpu_count(),
        "load": [round(figure, 2) for figure in os.getloadavg()],
    }


def told(row: Row) -> str:
    """A row in words."""
    figures = {"floor": row.floor_s, "plain way": row.naive_s, "ours": row.ours_s}
    said = [f"{name} {seconds:.4f} s" for name, seconds in figures.items() if seconds is not None]
    if row.ratio is not None:
        said.append(f"ratio {row.ratio:.2f}")
    lines = [
        f"{row.job} ({row.engine}): {'holds' if row.holds else 'DOES NOT HOLD'}",
        f"  {', '.join(said)}, spread {row.spread:.0%}; goal: {row.goal}",
    ]
    if row.reason:
        lines.append(f"  answers differ: {row.reason}")
    return "\n".join(lines)


def jobs() -> list[Job]:
    """Every job, in the order in which they are printed."""
    return [drift_job(), rate_job()]


# The threshold bench: somebody changes one parameter of a rule, and sees its whole operating curve.

BENCH_GOAL = Goal("ours at most 0.150 s", lambda floor, naive, ours: ours <= 0.150)
SUCCESS_RATES = np.linspace(0.40, 0.90, 41)
ONE_RATE = 20
WATCHED = (50, 100)
ACCEPTABLE, UNACCEPTABLE, WANTED = 0.20, 0.35, 1200
RECORDS, SEED = 2_000, 20_260_105
MONTHS, A_MONTH = 24, 4


def forget() -> None:
    """Empty every cache of the statistics, so that what is timed is computed."""
    for name, module in list(sys.modules.items()):
        if name.startswith("audits.statistics"):
            for value in vars(module).values():
                if hasattr(value, "cache_clear"):
                    value.cache_clear()


def drift_job() -> Job:
    """The drift rule: its limit for a wanted run length, then run lengths and chances of a signal at 41 true rates."""
    forget()
    limit = limit_for_run_length(ACCEPTABLE, UNACCEPTABLE, run_length=WANTED)
    failure, success = (float(np.log(x)) for x in (UNACCEPTABLE / ACCEPTABLE, (1 - UNACCEPTABLE) / (1 - ACCEPTABLE)))

    def ours() -> Floats:
        found = limit_for_run_length(ACCEPTABLE, UNACCEPTABLE, run_length=WANTED)
        rule = DriftRule(ACCEPTABLE, UNACCEPTABLE, found)
        lengths = attempts_to_flag(rule, SUCCESS_RATES)
        chances = [flag_probability(rule, SUCCESS_RATES, trials=attempts) for attempts in WATCHED]
        return np.array([lengths.mean, lengths.deviation, *chances])

    def floor() -> Floats:
        return _one_rate(1 - float(SUCCESS_RATES[ONE_RATE]), failure, success, limit)

    def naive() -> Floats:
        draw = np.random.default_rng(SEED)
        return np.array([_simulated_signals(draw, 1 - rate, failure, success, limit) for rate in SUCCESS_RATES]).T

    def differs(floor: Floats, naive: Floats, ours: Floats) -> str:
        if not np.allclose(ours[:, ONE_RATE], floor, rtol=1e-6, atol=1e-9):
            return f"the plain chain gives {floor}, ours {ours[:, ONE_RATE]}"
        return _simulation_differs(naive, ours[2:])

    return Job(
        name="threshold bench: one change",
        engine="python",
        floor=floor,
        naive=naive,
        ours=ours,
        goal=BENCH_GOAL,
        differs=differs,
        prepare=forget,
    )


def _one_rate(failure_rate: float, failure: float, success: float, limit: float) -> Floats:
    """One column of the curve by a plain loop over the pairs (failures, successes) since the line last stood at 0."""
    ways = ((1, 0, failure_rate), (0, 1, 1 - failure_rate))
    # One round from 0 until it is back there or signals: moments of its length, by how it ends.
    here, n, used, signalled, ends = {(0, 0): 1.0}, 0, 0.0, 0.0, []
    while sum(here.values()) > 1e-15:
        n, then = n + 1, dict[tuple[int, int], float]()
        for (failed, made), mass in here.items():
            for more, fewer, chance in ways:
                height, part = (failed + more) * failure + (made + fewer) * success, mass * chance
                if height >= limit - 1e-9 or height <= 1e-9:
                    ends.append((n, part, height > 1e-9))
                else:
                    then[failed + more, made + fewer] = then.get((failed + more, made + fewer), 0.0) + part
        here = then
    for length, mass, above in ends:
        used += length * mass
        signalled += mass * above
    mean = used / signalled
    deviation = (sum(mass * (length - mean * above) ** 2 for length, mass, above in ends) / signalled) ** 0.5
    # The line followed from its start for so many insertions.
    here, gone, within = {(0, 0): 1.0}, 0.0, []
    for attempt in range(1, max(WATCHED) + 1):
        then = {}
        for (failed, made), mass in here.items():
            for more, fewer, chance in ways:
                height, place = (failed + more) * failure + (made + fewer) * success, (failed + more, made + fewer)
                if height >= limit - 1e-9:
                    gone += mass * chance
                    continue
                place = place if height > 1e-9 else (0, 0)
                then[place] = then.get(place, 0.0) + mass * chance
        here = then
        if attempt in WATCHED:
            within.append(gone)
    return np.array([mean, deviation, *within])


def _simulated_signals(
    draw: np.random.Generator, failure_rate: float, failure: float, success: float, limit: float
) -> list[float]:
    height, done, shares = np.zeros(RECORDS), np.zeros(RECORDS, dtype=bool), []
    for attempt in range(1, max(WATCHED) + 1):
        height = np.maximum(0, height + np.where(draw.random(RECORDS) < failure_rate, failure, success))
        done |= height >= limit - 1e-9
        if attempt in WATCHED:
            shares.append(float(done.mean()))
    return shares


def rate_job() -> Job:
    """The rate rule: one look, and monthly looks over two years at the last twelve months, at 41 true rates."""
    rule = RateRule(target=0.80, minimum=20, window=12)
    volumes = [A_MONTH] * MONTHS
    passing = [A_MONTH * min(month, 12) for month in range(1, MONTHS + 1)]
    cuts = np.array([rule.largest_flagged(trials) for trials in passing])

    def ours() -> Floats:
        ever = ever_flag_probability(rule, SUCCESS_RATES, volumes=volumes)
        return np.array([flag_probability(rule, SUCCESS_RATES, trials=passing[-1]), ever.probability])

    def naive() -> Floats:
        draw = np.random.default_rng(SEED)
        curve = []
        for rate in SUCCESS_RATES:
            held = draw.binomial(A_MONTH, rate, size=(RECORDS, MONTHS)).cumsum(axis=1)
            held[:, 12:] -= held[:, :-12].copy()
            flagged = held <= cuts
            curve.append([flagged[:, -1].mean(), flagged.any(axis=1).mean()])
        return np.array(curve).T

    return Job(
        name="threshold bench: one change, rate rule",
        engine="python",
        naive=naive,
        ours=ours,
        goal=BENCH_GOAL,
        differs=lambda floor, naive, ours: _simulation_differs(naive, ours),
        prepare=forget,
    )


def _simulation_differs(simulated: Floats, exact: Floats) -> str:
    """Empty if every simulated share lies within four standard errors of the exact one."""
    away = np.abs(simulated - exact) - 4 * np.sqrt(np.maximum(exact * (1 - exact), 0) / RECORDS) - 1 / RECORDS
    if (away <= 0).all():
        return ""
    row, column = np.unravel_index(away.argmax(), away.shape)
    return f"a simulation gives {simulated[row, column]:.4f} where ours is {exact[row, column]:.4f}"
