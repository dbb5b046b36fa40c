"""A person's record as curves: the drift path with its limit, and for learners the rate so far."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.utils.safestring import SafeString

from audits.charts import Table, drift_chart, drift_table, learning_curve, learning_table
from audits.figures import PathAsk
from audits.rows import Row
from credentials.rules.asking import ask_for
from credentials.standings import Judged


@dataclass(frozen=True)
class Curve:
    """A drawing, the sentence below it, and its numbers as a table."""

    svg: SafeString
    caption: str
    table: Table


def drift_curve(judged: Judged, in_rate: Sequence[Row]) -> Curve | None:
    """The drift path that the standing was judged by; None where there is none or nothing is on it yet.

    `in_rate` are the person's rows of the procedure that count in a rate, in path order.
    """
    path = ask_for(judged.facts, judged.on).path
    rule = judged.facts.rules.drift if judged.facts.rules else None
    if path is None or rule is None:
        return None
    rows = [row for row in in_rate if row.day >= path.start.toordinal()]
    if not rows:
        return None
    values = path_values(rows, path)
    days = [date.fromordinal(row.day) for row in rows]
    outcomes = [bool(row.success) for row in rows]
    drift = judged.figures.drift
    svg = drift_chart(
        values,
        path.limit,
        crossed=drift.crossed_at_step if drift else None,
        first=days[0],
        last=days[-1],
        false_alarm_every=rule.run_length,
    )
    return Curve(
        svg,
        "Every insertion counted since the path began: each that was not working first time lifts the line, each that "
        f"was lowers it. The limit gives one false alarm in about {rule.run_length:,} insertions.",
        drift_table(values, days, outcomes),
    )


def learner_curve(in_rate: Sequence[Row]) -> Curve | None:
    """Share of first-attempt successes so far; None without an insertion."""
    outcomes = [bool(row.success) for row in in_rate]
    if not outcomes:
        return None
    return Curve(
        learning_curve(outcomes),
        "Line: share working first time so far, from the fifth insertion. Band: 95% confidence. Marks at the foot: "
        "insertions that were not.",
        learning_table(outcomes),
    )


def path_values(rows: Sequence[Row], path: PathAsk) -> list[float]:
    """The value after each step, without starting again at the limit: the finding stands from the first crossing."""
    values: list[float] = []
    value = 0.0
    for row in rows:
        value = max(0.0, value + (path.success_weight if row.success else path.failure_weight))
        values.append(value)
    return values
