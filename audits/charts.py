"""Charts as SVG text, made on the server: data in, drawing out, equal data equal bytes.

What comes back goes into a page as it is: no style attribute and no style element (the page's policy forbids both), no
id that a second chart could repeat, colours by the page's own names, so that they follow light and dark, with a plain
colour for a drawing that stands alone. Beside each chart belong its caption and the same numbers as a table.
"""

import hashlib
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from html import escape
from typing import TYPE_CHECKING

import numpy as np
from django.utils.safestring import SafeString, mark_safe

from audits.rates import LEAST_FOR_A_RATE, LEAST_FOR_A_TARGET, rate_of
from audits.statistics.proportions import wilson_interval

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH, HEIGHT = 400, 228
_POINTS = 72
_FONT = 12.5
# Each part is drawn in its own colour, which becomes the page's name for it.
_INK, _SOFT, _LINE, _ACCENT, _WASH = "#20242c", "#565c6b", "#ddd6c8", "#4a2f6b", "#f1ecf7"
_NAMES = {_INK: "--ink", _SOFT: "--soft", _LINE: "--line", _ACCENT: "--accent", _WASH: "--wash"}


def drift_chart(
    values: Sequence[float],
    limit: float,
    *,
    crossed: int | None,
    first: date | None = None,
    last: date | None = None,
    false_alarm_every: float | None = None,
) -> SafeString:
    """The drift path of one clinician, one step for each insertion in the rate, with its limit.

    `values` are those after each step; `crossed` is the step (counted from 1) of the first crossing. `first` and `last`
    are the days of the first and last step. `false_alarm_every` is the mean number of insertions to a false alarm.
    Raises ValueError for a limit that is not positive or a crossing outside the path.
    """
    if limit <= 0:
        raise ValueError(f"a limit of {limit} is none")
    if crossed is not None and not 1 <= crossed <= len(values):
        raise ValueError(f"crossed at step {crossed} of {len(values)}")
    return _drift(tuple(values), limit, crossed, first, last, false_alarm_every)


def learning_curve(outcomes: Sequence[bool]) -> SafeString:
    """Share of first-attempt successes so far, with its 95% interval, over insertions in order; failures are ticked.

    The line begins with the fifth insertion: before it there is no rate.
    """
    return _learning(tuple(bool(each) for each in outcomes))


@dataclass(frozen=True, slots=True)
class Table:
    """The numbers of a chart, for the table beside it."""

    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def drift_table(values: Sequence[float], days: Sequence[date], outcomes: Sequence[bool]) -> Table:
    """Each step of a drift path: which insertion, its day, how it went, the value after it.

    Raises ValueError unless there is a day and an outcome for each value.
    """
    lines = zip(values, days, outcomes, strict=True)
    return Table(
        ("Insertion", "Day", "Working first time", "Drift"),
        tuple(
            (str(n), _day(day), "yes" if worked else "no", f"{value:.2f}")
            for n, (value, day, worked) in enumerate(lines, 1)
        ),
    )


def learning_table(outcomes: Sequence[bool], *, every: int = 5) -> Table:
    """The rate so far after every fifth insertion and after the last."""
    steps = [n for n in range(1, len(outcomes) + 1) if n % every == 0 or n == len(outcomes)]
    rates = [rate_of(sum(map(bool, outcomes[:n])), n) for n in steps]
    return Table(
        ("Insertions", "Working first time", "Share", "95% confidence"),
        tuple((str(rate.trials), str(rate.successes), rate.share_words, rate.interval_words) for rate in rates),
    )


@lru_cache(maxsize=256)
def _drift(
    values: tuple[float, ...],
    limit: float,
    crossed: int | None,
    first: date | None,
    last: date | None,
    false_alarm_every: float | None,
) -> SafeString:
    figure, axes = _blank()
    steps = range(len(values) + 1)
    axes.axhline(limit, color=_SOFT, linewidth=1.2, dashes=(5, 4))
    rarely = f": one false alarm in about {round(false_alarm_every):,} insertions" if false_alarm_every else ""
    axes.annotate(f"limit{rarely}", (0, limit), (0, 4), textcoords="offset points", color=_SOFT, fontsize=_FONT)
    axes.plot(steps, [0.0, *values], color=_INK, linewidth=1.6)
    if crossed is not None:
        axes.plot([crossed], [values[crossed - 1]], "s", color=_ACCENT, markersize=7)
    top = max(limit * 1.25, max(values, default=0) * 1.08)
    axes.set_ylim(-0.02 * top, top)
    _x_axis(axes, len(values), first, last)
    axes.set_yticks([])
    how_far = f"{_counted(len(values))}; now at {values[-1] if values else 0:.2f} of a limit of {limit:g}"
    crossing = (
        f"It crossed its limit at the {_ordinal(crossed)} insertion." if crossed else "It has not crossed its limit."
    )
    return _svg(figure, "Drift of first attempts", f"{how_far}. {crossing}")


@lru_cache(maxsize=256)
def _learning(outcomes: tuple[bool, ...]) -> SafeString:
    figure, axes = _blank(left=0.11)
    total = len(outcomes)
    successes = np.cumsum(outcomes, dtype=int)
    if total >= LEAST_FOR_A_RATE:
        steps = np.arange(LEAST_FOR_A_RATE, total + 1)
        worked = successes[LEAST_FOR_A_RATE - 1 :]
        interval = wilson_interval(worked, steps)
        axes.fill_between(steps, interval.lower, interval.upper, color=_WASH, linewidth=0)
        for edge in (interval.lower, interval.upper):
            axes.plot(steps, edge, color=_SOFT, linewidth=0.9, dashes=(3, 3))
        axes.plot(steps, worked / steps, color=_INK, linewidth=1.8)
    failures = [n for n, worked in enumerate(outcomes, 1) if not worked]
    axes.plot(failures, [0.0] * len(failures), "|", color=_ACCENT, markersize=9, markeredgewidth=1.4)
    axes.set_ylim(-0.06, 1.03)
    axes.set_yticks([0, 0.5, 1], ["0%", "50%", "100%"])
    _x_axis(axes, total, None, None)
    summary = rate_of(sum(outcomes), total).words
    few = " Under 20 insertions it says little." if 0 < total < LEAST_FOR_A_TARGET else ""
    return _svg(figure, "First-attempt success so far", f"After {_counted(total)}: {summary}.{few}")


def missed_over_time(what: str, periods: Sequence[tuple[str, int, int]]) -> SafeString:
    """Share missed in each period, (words, missed, watched), with its 95% interval; a period too few to show is a gap.

    Each period has its place on the line, in order. Under five watched there is no share.
    """
    return _missed(what, tuple(periods))


def missed_table(periods: Sequence[tuple[str, int, int]]) -> Table:
    """The counts of each period, with share and interval."""
    rates = [(words, rate_of(missed, watched)) for words, missed, watched in periods]
    return Table(
        ("Quarter", "Watched", "Missed", "Share", "95% confidence"),
        tuple(
            (words, str(rate.trials), str(rate.successes), rate.share_words, rate.interval_words)
            if rate.trials
            else (words, "none to show", "", "", "")
            for words, rate in rates
        ),
    )


@lru_cache(maxsize=256)
def _missed(what: str, periods: tuple[tuple[str, int, int], ...]) -> SafeString:
    figure, axes = _blank(left=0.11)
    rates = [rate_of(missed, watched) for _, missed, watched in periods]
    for place, rate in enumerate(rates):
        if rate.share is None or rate.lower is None or rate.upper is None:
            continue
        axes.plot([place, place], [rate.lower, rate.upper], color=_SOFT, linewidth=2.5)
        filled = _WASH if rate.is_few else _INK
        axes.plot([place], [rate.share], "o", color=_INK, markersize=7, markerfacecolor=filled)
    axes.set_ylim(-0.04, 1.03)
    axes.set_yticks([0, 0.5, 1], ["0%", "50%", "100%"])
    last = len(periods) - 1
    axes.set_xlim(-0.5, max(last, 0) + 0.5)
    ends = sorted({0, last}) if periods else []
    axes.set_xticks(ends, [periods[place][0] for place in ends])
    labels = axes.get_xticklabels()
    if len(labels) > 1:
        labels[0].set_horizontalalignment("left")
        labels[-1].set_horizontalalignment("right")
    said = [
        f"{words}, {rate.successes} of {rate.trials}" + (f", {rate.share_words}" if rate.share is not None else "")
        for (words, *_), rate in zip(periods, rates, strict=True)
        if rate.trials
    ]
    return _svg(figure, f"Missed over time: {what}", "; ".join(said) + "." if said else "Nothing that may be shown.")


def endings_ahead(months: Sequence[tuple[str, int, int]]) -> SafeString:
    """How many awards end in each month, (words, own people, agency and others), as columns with their numbers.

    The first may stand for what has ended already. The others stand on top, light with an edge, so that black on white
    tells them apart. The words of the first and last stand below.
    """
    return _endings(tuple(months))


@lru_cache(maxsize=64)
def _endings(months: tuple[tuple[str, int, int], ...]) -> SafeString:
    figure, axes = _blank()
    places = range(len(months))
    own, others = [each[1] for each in months], [each[2] for each in months]
    axes.bar(places, own, color=_INK, width=0.62)
    axes.bar(places, others, bottom=own, color=_WASH, edgecolor=_INK, linewidth=1, width=0.62)
    top = max([mine + theirs for mine, theirs in zip(own, others, strict=True)], default=0)
    for place, mine, theirs in zip(places, own, others, strict=True):
        if mine + theirs:
            words, at = (f"{mine}+{theirs}" if theirs else str(mine)), (place, mine + theirs)
            axes.annotate(words, at, (0, 3), textcoords="offset points", color=_SOFT, fontsize=_FONT, ha="center")
    axes.set_ylim(0, max(top, 1) * 1.2)
    axes.set_yticks([])
    axes.set_xlim(-0.5, max(len(months), 1) - 0.5)
    ends = sorted({0, len(months) - 1}) if months else []
    axes.set_xticks(ends, [months[place][0] for place in ends])
    labels = axes.get_xticklabels()
    if len(labels) > 1:
        labels[0].set_horizontalalignment("left")
        labels[-1].set_horizontalalignment("right")
    said = [
        f"{words}, {mine}" + (f" and {theirs} not employed there" if theirs else "")
        for words, mine, theirs in months
        if mine + theirs
    ]
    return _svg(figure, "Awards that end, month by month", "; ".join(said) + "." if said else "No award ends.")


def _blank(*, left: float = 0.01) -> tuple["Figure", "Axes"]:
    # Here, because only a page with a chart should wait for it.
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"font.size": _FONT, "axes.linewidth": 1, "font.family": ["sans-serif"]}):
        figure = Figure(figsize=(WIDTH / _POINTS, HEIGHT / _POINTS), dpi=_POINTS)
        axes = figure.add_axes((left, 0.12, 0.985 - left, 0.86))
    figure.patch.set_visible(False)
    axes.patch.set_visible(False)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(_LINE)
    axes.tick_params(color=_LINE, labelcolor=_SOFT, length=3)
    return figure, axes


def _x_axis(axes: "Axes", total: int, first: date | None, last: date | None) -> None:
    axes.set_xlim(-0.5, max(total, 1) + 0.5)
    if not total:
        axes.set_xticks([])
        return
    begin = f"1st, {_day(first)}" if first else "1st"
    end = f"{_ordinal(total)}, {_day(last)}" if last else _ordinal(total)
    axes.set_xticks([1, total] if total > 1 else [1], [begin, end] if total > 1 else [begin])
    labels = axes.get_xticklabels()
    labels[0].set_horizontalalignment("left")
    labels[-1].set_horizontalalignment("right" if total > 1 else "left")


def _svg(figure: "Figure", title: str, description: str) -> SafeString:
    from matplotlib import rc_context

    buffer = io.StringIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": "sited", "svg.id": None}):
        figure.savefig(
            buffer,
            format="svg",
            transparent=True,
            metadata={"Date": None, "Creator": None, "Type": None, "Format": None},
        )
    return mark_safe(_tamed(buffer.getvalue(), title, description))  # noqa: S308 (own drawing, words escaped)


_STYLE = re.compile(r' style="([^"]*)"')
_DECORATION = re.compile(r'<\?xml.*?\?>|<!DOCTYPE.*?>|<style.*?</style>| transform="rotate\(-?0 [^"]*"', re.DOTALL)
_OWN_IDS = re.compile(r' id="(?![mp][0-9a-f]{10}")[^"]*"')
_SHARED_IDS = re.compile(r'( id="|"#|url\(#)([mp][0-9a-f]{10})')


def _tamed(drawing: str, title: str, description: str) -> str:
    """The drawing fit for a page: attributes for styles, names for colours, its own ids, the drawing in words."""
    drawing = _DECORATION.sub("", drawing)
    key = "c" + hashlib.sha256((drawing + title + description).encode()).hexdigest()[:10]
    drawing = _STYLE.sub(_as_attributes, _OWN_IDS.sub("", drawing)).replace("xlink:href", "href")
    drawing = _SHARED_IDS.sub(rf"\g<1>{key}\g<2>", drawing)
    body = " ".join(drawing[drawing.index(">", drawing.index("<svg")) + 1 :].split()).replace("> <", "><")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" stroke-linejoin="round" role="img"'
        f' aria-labelledby="{key}t {key}d"><title id="{key}t">{escape(title)}</title>'
        f'<desc id="{key}d">{escape(description)}</desc>{body}'
    )


def _as_attributes(style: re.Match[str]) -> str:
    pairs = [part.split(":", 1) for part in style[1].split(";") if ":" in part]
    named = {name.strip(): value.strip() for name, value in pairs}
    named.pop("font-family", None)
    return "".join(f' {name}="{_colour(value)}"' for name, value in named.items())


def _colour(value: str) -> str:
    return f"var({_NAMES[value]}, {value})" if value in _NAMES else value


def _counted(total: int) -> str:
    return "1 insertion" if total == 1 else f"{total:,} insertions"


def _ordinal(number: int) -> str:
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number:,}{ending}"


def _day(value: date) -> str:
    return f"{value.day} {value:%b %Y}"
