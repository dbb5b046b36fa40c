"""What is asked of the evidence and what comes back: plain frozen data, no Django, no thresholds of its own.

An `Ask` is made by the rules in force; `audits.measures` answers it with `Figures`. One fold serves one clinician and all.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple
from uuid import UUID

TOLERANCE = 1e-9  # a sum that reaches a limit but for rounding has reached it


class Row(NamedTuple):
    """One insertion as the measures see it: integers only, in path order (clinician, procedure, time, tie).

    `time` is epoch seconds, `day` a proleptic ordinal. `in_rate` is 1 when a first-attempt rate and the drift may use it;
    `partial` is 1 for a row of a sheet that does not claim completeness, or one whose inserter is disputed.
    `credit` is a `Credit` code; `supervisor` is a user's key or 0; `events` counts serious events; `total` is all punctures
    of the occasion known at entry, those of others included.
    """

    clinician: int
    procedure: int
    time: int
    tie: int
    insertion: int
    day: int
    in_rate: int
    success: int
    punctures: int
    total: int
    events: int
    safety: int
    credit: int
    in_question: int
    volume: int
    partial: int
    supervisor: int
    unit: int
    stratum: int


class Credit:
    """Codes of the credit column: how an entry came to count towards terms of award, if it did."""

    NONE = 0
    IN_ROOM = 1
    NEARBY = 2
    OTHER_EVIDENCE = 3
    PAPER = 4
    SIMULATION = 5


class Stratum:
    """Bits of the stratum column: what a fair reader wants beside a raw rate."""

    RESCUE = 1  # others had tried before
    DIFFICULT = 2  # difficult access, scored before the attempt
    DIFFICULT_AFTER = 4  # difficult access, scored afterwards: shown, never adjusted with


@dataclass(frozen=True, slots=True)
class Window:
    """Days `first` to `last`, both included."""

    first: date
    last: date


@dataclass(frozen=True, slots=True)
class PathAsk:
    """A drift path: insertions in the rate from `start` on, stepped with these weights up to this limit."""

    start: date
    failure_weight: float
    success_weight: float
    limit: float


@dataclass(frozen=True, slots=True)
class Ask:
    """What the rules in force want to know about one clinician and procedure on one day.

    `windows` are named; each comes back as a `Count` under its name. `run_from` starts the run of failures at the end.
    Entries with more than `punctures` by this clinician, or `total` in the occasion, and entries with events, are listed
    from `entries_from` on. `credit_from` starts the credit (the enrolment's first day, or None for all). `on` cuts all.
    """

    on: date
    windows: Mapping[str, Window] = field(default_factory=dict)
    path: PathAsk | None = None
    run_from: date | None = None
    punctures: int | None = None
    total: int | None = None
    entries_from: date | None = None
    credit_from: date | None = None


@dataclass(frozen=True, slots=True)
class Count:
    """In one window: insertions in the rate with successes, insertions of volume, and rows that make it not assessable."""

    trials: int = 0
    successes: int = 0
    volume: int = 0
    partial: int = 0


@dataclass(frozen=True, slots=True)
class Drift:
    """The path at its end: steps taken, value, and the first crossing (None if it never crossed)."""

    steps: int
    value: float
    crossed_on: date | None
    crossed_at_step: int | None


@dataclass(frozen=True, slots=True)
class CreditCount:
    """Insertions attempted that may count towards terms, by how they came to count; simulations apart."""

    in_room: int = 0
    nearby: int = 0
    other_evidence: int = 0
    paper: int = 0
    simulation: int = 0
    in_question: int = 0
    successes: int = 0
    supervisors: frozenset[int] = frozenset()
    days: int = 0


@dataclass(frozen=True, slots=True)
class EntryFact:
    """An entry that an entry rule asks about. `insertion` is the key of the version; its UUID is filled by the measures."""

    insertion: int
    day: date
    punctures: int
    total: int
    events: int
    who_disputed: bool
    uuid: UUID | None = None


@dataclass(frozen=True, slots=True)
class Figures:
    """What the evidence says. Nothing logged is no insertions, never a rate of nought."""

    clinician: int
    procedure: int
    windows: Mapping[str, Count] = field(default_factory=dict)
    drift: Drift | None = None
    failures_running: int = 0
    run_partial: bool = False
    last_volume_day: date | None = None
    last_rate_insertion: int | None = None
    credit: CreditCount = field(default_factory=CreditCount)
    attempts: tuple[EntryFact, ...] = ()
    events: tuple[EntryFact, ...] = ()


def fold(clinician: int, procedure: int, rows: Iterable[Row], ask: Ask) -> Figures:
    """Step once through one clinician's rows of one procedure, in path order, and answer the ask.

    Rows after `ask.on` are passed over. Raises ValueError when rows come out of order: a drift path out of order is a
    wrong path.
    """
    on = ask.on.toordinal()
    spans = [(name, w.first.toordinal(), min(w.last.toordinal(), on)) for name, w in ask.windows.items()]
    tallies = {name: [0, 0, 0, 0] for name, _, _ in spans}
    path = ask.path
    path_start = path.start.toordinal() if path else 0
    run_start = ask.run_from.toordinal() if ask.run_from else None
    entries_start = ask.entries_from.toordinal() if ask.entries_from else None
    credit_start = ask.credit_from.toordinal() if ask.credit_from else 0
    value, steps, crossed_on, crossed_step = 0.0, 0, None, None
    run, run_partial = 0, False
    last_volume, last_rate = None, None
    credit = [0] * 6
    in_question = credit_successes = 0
    supervisors: set[int] = set()
    credit_days: set[int] = set()
    attempts: list[EntryFact] = []
    events: list[EntryFact] = []
    before: tuple[int, int] | None = None
    for row in rows:
        if before is not None and (row.time, row.tie) < before:
            raise ValueError(f"rows out of path order: {(row.time, row.tie)} after {before}")
        before = (row.time, row.tie)
        day = row.day
        if day > on:
            continue
        for name, first, last in spans:
            if first <= day <= last:
                tally = tallies[name]
                tally[0] += row.in_rate
                tally[1] += row.in_rate and row.success
                tally[2] += row.volume
                tally[3] += row.partial
        if row.volume and (last_volume is None or day > last_volume):
            last_volume = day
        if row.in_rate:
            last_rate = row.insertion
            if path and day >= path_start:
                steps += 1
                value = max(0.0, value + (path.success_weight if row.success else path.failure_weight))
                if crossed_on is None and value >= path.limit - TOLERANCE:
                    crossed_on, crossed_step = date.fromordinal(day), steps
            if run_start is not None and day >= run_start:
                run = 0 if row.success else run + 1
                if row.success:
                    run_partial = False
        elif row.partial and run_start is not None and day >= run_start:
            run_partial = True
        if row.credit and day >= credit_start:
            credit[row.credit] += 1
            if row.credit != Credit.SIMULATION:
                in_question += row.in_question
                credit_successes += row.success
                credit_days.add(day)
                if row.supervisor:
                    supervisors.add(row.supervisor)
        if entries_start is not None and day >= entries_start and row.safety:
            over = (ask.punctures is not None and row.punctures > ask.punctures) or (
                ask.total is not None and row.total > ask.total and row.punctures > 0
            )
            if over or row.events:
                fact = EntryFact(
                    insertion=row.insertion,
                    day=date.fromordinal(day),
                    punctures=row.punctures,
                    total=row.total,
                    events=row.events,
                    who_disputed=bool(row.partial and not row.in_rate and row.safety == 2),
                )
                if over:
                    attempts.append(fact)
                if row.events:
                    events.append(fact)
    return Figures(
        clinician=clinician,
        procedure=procedure,
        windows={name: Count(*tally) for name, tally in tallies.items()},
        drift=Drift(steps, value, crossed_on, crossed_step) if path else None,
        failures_running=run,
        run_partial=run_partial,
        last_volume_day=date.fromordinal(last_volume) if last_volume is not None else None,
        last_rate_insertion=last_rate,
        credit=CreditCount(
            in_room=credit[Credit.IN_ROOM],
            nearby=credit[Credit.NEARBY],
            other_evidence=credit[Credit.OTHER_EVIDENCE],
            paper=credit[Credit.PAPER],
            simulation=credit[Credit.SIMULATION],
            in_question=in_question,
            successes=credit_successes,
            supervisors=frozenset(supervisors),
            days=len(credit_days),
        ),
        attempts=tuple(attempts),
        events=tuple(events),
    )
