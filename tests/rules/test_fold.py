"""The fold answers an ask as counting each thing by itself would, whatever the rows."""

import itertools
from dataclasses import replace
from datetime import date, timedelta
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audits.figures import (
    Ask,
    Credit,
    CreditAsk,
    EntryFact,
    PathAsk,
    Row,
    Safety,
    Window,
    event_bits,
    event_codes,
    fold,
    insertions_named,
    with_uuids,
)
from audits.statistics.sequential import cusum_path, score_weights

A_DAY = timedelta(days=1)
DAY = date(2025, 1, 1)
WEIGHTS = score_weights(0.20, 0.35)

flag = st.integers(min_value=0, max_value=1)


@st.composite
def row_lists(draw: st.DrawFn) -> list[Row]:
    """Rows in path order, some on the same second."""
    seconds = sorted(draw(st.lists(st.integers(min_value=0, max_value=60 * 8), max_size=40)))
    return [
        Row(
            clinician=7, procedure=9, time=second * 10800, tie=place, insertion=1000 + place,
            day=DAY.toordinal() + second // 8 + draw(flag),  # the local day differs by zone
            in_rate=draw(flag), success=draw(flag), punctures=draw(st.integers(0, 4)), total=draw(st.integers(0, 6)),
            events=draw(st.integers(0, 15)), safety=draw(st.integers(0, 2)), credit=draw(st.integers(0, 5)),
            in_question=draw(flag), volume=draw(flag), partial=draw(flag), supervisor=draw(st.integers(0, 3)),
            unit=1, stratum=0,
        )
        for place, second in enumerate(seconds)
    ]  # fmt: skip


days = st.integers(min_value=-5, max_value=70).map(lambda n: DAY + n * A_DAY)


@settings(max_examples=300)
@given(row_lists(), days, st.lists(days, min_size=9, max_size=9))
def test_every_figure_is_what_counting_it_alone_gives(rows, on, chosen):
    first, last, path_from, run_from, attempts_from, events_from, credit_from, nearby_from, other = chosen
    ask = Ask(
        on=on,
        windows={"one": Window(first, last), "two": Window(other, on)},
        credits={"plain": CreditAsk(credit_from), "nearby": CreditAsk(nearby_from, nearby=True)},
        path=PathAsk(path_from, WEIGHTS.failure, WEIGHTS.success, 2.0),
        run_from=run_from,
        punctures=2,
        total=4,
        attempts_from=attempts_from,
        event_kinds=0b0110,
        events_from=events_from,
    )
    figures = fold(7, 9, rows, ask)
    past = [row for row in rows if row.day <= on.toordinal()]

    for name, window in ask.windows.items():
        inside = [row for row in past if window.first.toordinal() <= row.day <= window.last.toordinal()]
        rated = [row for row in inside if row.in_rate]
        counted = [row.day for row in inside if row.in_rate or row.volume or row.partial]
        count = figures.window(name)
        assert count.trials == len(rated)
        assert count.successes == sum(row.success for row in rated)
        assert count.volume == sum(row.volume for row in inside)
        assert count.partial == sum(row.partial for row in inside)
        assert count.oldest == (date.fromordinal(min(counted)) if counted else None)

    for name, part in ask.credits.items():
        since = [row for row in past if row.credit and row.day >= part.first.toordinal()]
        credit = figures.credit(name)
        for kind in range(1, 6):
            assert credit.attempted[kind] == sum(row.credit == kind for row in since)
            assert credit.successful[kind] == sum(row.success for row in since if row.credit == kind)
        seen = {Credit.IN_ROOM, Credit.NEARBY} if part.nearby else {Credit.IN_ROOM}
        counting = [row for row in since if row.credit in seen | {Credit.OTHER_EVIDENCE, Credit.PAPER}]
        watched = {row.supervisor for row in since if row.credit in seen} - {0}
        assert credit.supervisors == watched
        assert credit.days == len({row.day for row in counting})
        assert credit.in_question == sum(row.in_question for row in counting)

    stepped = [row for row in past if row.in_rate and row.day >= path_from.toordinal()]
    path = cusum_path([1 - row.success for row in stepped], weights=WEIGHTS, limit=2.0, restart=False)
    assert figures.drift.steps == len(stepped)
    assert figures.drift.failures == sum(1 - row.success for row in stepped)
    assert figures.drift.value == pytest.approx(path.values[-1] if len(stepped) else 0.0, abs=1e-9)
    crossings = [place for place, value in enumerate(path.values) if value >= 2.0 - 1e-9]
    assert figures.drift.crossed_at_step == (crossings[0] + 1 if crossings else None)
    assert (figures.drift.crossed.insertion if figures.drift.crossed else None) == (
        stepped[crossings[0]].insertion if crossings else None
    )

    judged = [row for row in past if row.in_rate and row.day >= run_from.toordinal()]
    run = list(itertools.takewhile(lambda row: not row.success, reversed(judged)))
    assert figures.failures_running == len(run)
    assert [fact.insertion for fact in figures.run] == [row.insertion for row in run[:20][::-1]]

    logged = [row.day for row in past if row.volume]
    assert figures.last_volume_day == (date.fromordinal(max(logged)) if logged else None)

    over = [
        row.insertion
        for row in past
        if row.safety
        and row.punctures
        and (row.punctures > 2 or row.total > 4)
        and row.day >= attempts_from.toordinal()
    ]
    assert [fact.insertion for fact in figures.attempts] == over
    struck = [
        (row.insertion, row.events & 0b0110, row.safety == Safety.WHO_DISPUTED)
        for row in past
        if row.safety and row.events & 0b0110 and row.day >= events_from.toordinal()
    ]
    assert [(fact.insertion, fact.events, fact.who_disputed) for fact in figures.events] == struck

    later = [row.day for row in rows if row.day > on.toordinal()]
    assert figures.next_row_on == (date.fromordinal(min(later)) if later else None)


@given(row_lists())
def test_plain_tuples_serve_as_well_as_rows(rows):
    ask = Ask(
        on=date(2026, 1, 1), windows={"all": Window(date.min, date.max)}, run_from=DAY, total=4, attempts_from=DAY
    )
    assert fold(7, 9, [tuple(row) for row in rows], ask) == fold(7, 9, rows, ask)


def test_the_oldest_day_is_the_earliest_local_day_and_not_that_of_the_first_row():
    """Later by the clock, earlier by the calendar: two hospitals in different zones."""
    east = Row(7, 9, 0, 0, 11, DAY.toordinal() + 1, 1, 1, 1, 1, 0, 1, 0, 0, 1, 0, 0, 1, 0)
    west = east._replace(time=1, day=DAY.toordinal())
    ask = Ask(on=DAY + 9 * A_DAY, windows={"all": Window(DAY, DAY + 9 * A_DAY)})
    assert fold(7, 9, [east, west], ask).window("all").oldest == DAY


def test_nothing_asked_and_nothing_logged_is_no_rate_of_nought():
    figures = fold(7, 9, [], Ask(on=DAY))
    assert figures.drift is None
    assert figures.last_volume_day is None
    assert figures.window("never asked").trials == 0
    assert figures.credit("never asked").attempted == (0, 0, 0, 0, 0, 0)


def test_events_are_bits_that_read_back_as_their_codes():
    bits = event_bits(["needlestick", "arterial_puncture"])
    assert bits == 0b101
    assert event_codes(bits) == ("arterial_puncture", "needlestick")
    with pytest.raises(ValueError, match="paper_cut"):
        event_bits(["paper_cut"])


def test_uuids_are_filled_in_for_every_entry_pointed_at_and_none_may_be_missing():
    day = DAY.toordinal()
    rows = [
        Row(7, 9, 0, 0, 11, day, 1, 0, 3, 3, 1, 1, 0, 0, 1, 0, 0, 1, 0),
        Row(7, 9, 1, 0, 12, day, 1, 0, 1, 1, 0, 1, 0, 0, 1, 0, 0, 1, 0),
    ]
    ask = Ask(on=DAY, path=PathAsk(DAY, 1.0, -1.0, 2.0), run_from=DAY, punctures=2, attempts_from=DAY, events_from=DAY)
    figures = fold(7, 9, rows, ask)
    assert insertions_named(figures) == {11, 12}
    named = with_uuids(figures, {key: UUID(int=key) for key in (11, 12, 13)})
    assert named.drift.crossed.uuid == UUID(int=12)
    assert [fact.uuid for fact in named.run] == [UUID(int=11), UUID(int=12)]
    assert named.attempts[0].uuid == named.events[0].uuid == UUID(int=11)
    unnamed = replace(named, attempts=(), events=(), run=(EntryFact(5, DAY),))
    with pytest.raises(ValueError, match=r"\[5, 12\]"):
        with_uuids(unnamed, {})
