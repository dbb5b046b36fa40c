"""What is asked of the evidence and what comes back: plain frozen data, no Django, no thresholds of its own.

An `Ask` is made by the rules in force; `audits.measures` answers it with `Figures`. One fold serves one clinician and
all.
"""

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import NamedTuple
from uuid import UUID

TOLERANCE = 1e-9  # a sum that reaches a limit but for rounding has reached it

# Serious events. The place of a code is its bit in `Row.events` and never changes: new codes are added at the end.
EVENTS = (
    "arterial_puncture",
    "nerve_symptoms",
    "needlestick",
    "extravasation",
    "catheter_shear",
    "retained_tourniquet",
    "collapse",
    "allergic_reaction",
    "other",
)
ALL_EVENTS = (1 << len(EVENTS)) - 1


def event_bits(codes: Iterable[str]) -> int:
    """The bits of these events together. Raises ValueError for a code that is not one of `EVENTS`."""
    bits = 0
    for code in codes:
        if code not in EVENTS:
            raise ValueError(f"no serious event {code!r}; known: {', '.join(EVENTS)}")
        bits |= 1 << EVENTS.index(code)
    return bits


def event_codes(bits: int) -> tuple[str, ...]:
    """The codes of the events in these bits, in the order of `EVENTS`."""
    return tuple(code for place, code in enumerate(EVENTS) if bits >> place & 1)


class Row(NamedTuple):
    """One insertion as the measures see it: integers only, in path order (clinician, procedure, time, tie).

    `time` is epoch seconds, `day` a proleptic ordinal. `in_rate` is 1 when a first-attempt rate and the drift may use
    it; `safety` is a `Safety` code; `partial` is 1 for a row of a sheet that does not claim completeness for its day.
    `credit` is a `Credit` code; `supervisor` is a user's key or 0; `events` is the bits of its serious events (see
    `event_bits`); `total` is all punctures of the occasion known at entry, those of others included.
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


class Safety:
    """Codes of the safety column."""

    NO = 0
    YES = 1
    WHO_DISPUTED = 2  # an event or attempts finding stays and says so; never in a rate


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
class CreditAsk:
    """Credit from a day on. What was countersigned as nearby gives supervisors and days only where it counts."""

    first: date
    nearby: bool = False


@dataclass(frozen=True, slots=True)
class Ask:
    """What the rules in force want to know about one clinician and procedure on one day.

    `windows` are named; each comes back as a `Count` under its name; so with `credits`. `run_from` starts the run of
    failures at the end. Entries with more than `punctures` by this clinician, or `total` in the occasion, are listed
    from `attempts_from` on; entries with an event among the bits `event_kinds` from `events_from` on. `on` cuts all.
    """

    on: date
    windows: Mapping[str, Window] = field(default_factory=dict)
    credits: Mapping[str, CreditAsk] = field(default_factory=dict)
    path: PathAsk | None = None
    run_from: date | None = None
    punctures: int | None = None
    total: int | None = None
    attempts_from: date | None = None
    event_kinds: int = ALL_EVENTS
    events_from: date | None = None


@dataclass(frozen=True, slots=True)
class Count:
    """In one window: insertions in the rate with successes, insertions of volume, and rows that make it not assessable.

    `oldest` is the day of the first row counted here, the first to leave a window that moves.
    """

    trials: int = 0
    successes: int = 0
    volume: int = 0
    partial: int = 0
    oldest: date | None = None


@dataclass(frozen=True, slots=True)
class EntryFact:
    """An entry that a rule points at. `insertion` is the key of the version; its UUID is filled in by `with_uuids`.

    `events` holds only the bits that were asked for.
    """

    insertion: int
    day: date
    punctures: int = 0
    total: int = 0
    events: int = 0
    who_disputed: bool = False
    uuid: UUID | None = None


@dataclass(frozen=True, slots=True)
class Drift:
    """The path at its end: steps taken, failures among them, value, and the entry of the first crossing, if any."""

    steps: int = 0
    failures: int = 0
    value: float = 0.0
    crossed: EntryFact | None = None
    crossed_at_step: int | None = None


@dataclass(frozen=True, slots=True)
class CreditCount:
    """Insertions attempted that may count towards terms, and those working first time, by how they came to count.

    Both are indexed by the codes of `Credit`. Supervisors are those who were there, days those of all that count but
    simulations.
    """

    attempted: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    successful: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    in_question: int = 0
    supervisors: frozenset[int] = frozenset()
    days: int = 0


NO_COUNT = Count()
NO_CREDIT = CreditCount()
RUN_KEPT = 20  # so many of the latest failures in a run are kept as evidence


@dataclass(frozen=True, slots=True)
class Figures:
    """What the evidence says. Nothing logged is no insertions, never a rate of nought.

    `run` holds the latest failures of the run at the end, oldest first. `next_row_on` is the day of the first row after
    the day asked about: the figures change then without anything new.
    """

    clinician: int
    procedure: int
    windows: Mapping[str, Count] = field(default_factory=dict)
    credits: Mapping[str, CreditCount] = field(default_factory=dict)
    drift: Drift | None = None
    failures_running: int = 0
    run: tuple[EntryFact, ...] = ()
    last_volume_day: date | None = None
    attempts: tuple[EntryFact, ...] = ()
    events: tuple[EntryFact, ...] = ()
    next_row_on: date | None = None

    def window(self, name: str) -> Count:
        return self.windows.get(name, NO_COUNT)

    def credit(self, name: str) -> CreditCount:
        return self.credits.get(name, NO_CREDIT)


def insertions_named(figures: Figures) -> frozenset[int]:
    """The keys of the versions that these figures point at, so that all their UUIDs can be fetched at once."""
    facts = [*figures.run, *figures.attempts, *figures.events]
    if figures.drift and figures.drift.crossed:
        facts.append(figures.drift.crossed)
    return frozenset(fact.insertion for fact in facts)


def with_uuids(figures: Figures, uuids: Mapping[int, UUID]) -> Figures:
    """The same figures, each entry that they point at with its UUID. Raises ValueError if one is missing."""
    missing = sorted(insertions_named(figures) - uuids.keys())
    if missing:
        raise ValueError(f"no UUID given for insertions {missing}")

    def named(facts: tuple[EntryFact, ...]) -> tuple[EntryFact, ...]:
        return tuple(replace(fact, uuid=uuids[fact.insertion]) for fact in facts)

    drift = figures.drift
    if drift and drift.crossed:
        drift = replace(drift, crossed=named((drift.crossed,))[0])
    return replace(
        figures, run=named(figures.run), attempts=named(figures.attempts), events=named(figures.events), drift=drift
    )


class _CreditTally:
    """A running `CreditCount`."""

    __slots__ = ("attempted", "days", "first", "in_question", "nearby", "successful", "supervisors")

    def __init__(self, ask: CreditAsk) -> None:
        self.first, self.nearby = ask.first.toordinal(), ask.nearby
        self.attempted, self.successful = [0] * 6, [0] * 6
        self.in_question = 0
        self.supervisors: set[int] = set()
        self.days: set[int] = set()

    def add(self, row: Row) -> None:
        kind = row.credit
        self.attempted[kind] += 1
        self.successful[kind] += row.success
        if kind == Credit.SIMULATION or (kind == Credit.NEARBY and not self.nearby):
            return
        self.in_question += row.in_question
        self.days.add(row.day)
        if row.supervisor and kind in (Credit.IN_ROOM, Credit.NEARBY):
            self.supervisors.add(row.supervisor)

    def count(self) -> CreditCount:
        return CreditCount(
            attempted=tuple(self.attempted),
            successful=tuple(self.successful),
            in_question=self.in_question,
            supervisors=frozenset(self.supervisors),
            days=len(self.days),
        )


def _entry(row: Row, *, events: int = 0) -> EntryFact:
    return EntryFact(
        insertion=row.insertion,
        day=date.fromordinal(row.day),
        punctures=row.punctures,
        total=row.total,
        events=events,
        who_disputed=row.safety == Safety.WHO_DISPUTED,
    )


def fold(clinician: int, procedure: int, rows: Iterable[Row], ask: Ask) -> Figures:
    """Step once through one clinician's rows of one procedure, in path order, and answer the ask.

    Rows after `ask.on` are passed over. Raises ValueError when rows come out of order: a drift path out of order is a
    wrong path.
    """
    on = ask.on.toordinal()
    spans = [(name, w.first.toordinal(), min(w.last.toordinal(), on)) for name, w in ask.windows.items()]
    tallies: dict[str, list[int]] = {name: [0, 0, 0, 0, 0] for name, _, _ in spans}
    credit = {name: _CreditTally(part) for name, part in ask.credits.items()}
    path = ask.path
    path_start = path.start.toordinal() if path else 0
    run_start = ask.run_from.toordinal() if ask.run_from else None
    attempts_start = ask.attempts_from.toordinal() if ask.attempts_from else None
    events_start = ask.events_from.toordinal() if ask.events_from else None
    value, steps, failed, crossed, crossed_step = 0.0, 0, 0, None, None
    running = 0
    run: deque[Row] = deque(maxlen=RUN_KEPT)
    last_volume = next_row = 0
    attempts: list[EntryFact] = []
    events: list[EntryFact] = []
    before = (-(1 << 63), 0)
    for row in rows:
        place = (row.time, row.tie)
        if place < before:
            raise ValueError(f"rows out of path order: {place} after {before}")
        before = place
        day = row.day
        if day > on:
            next_row = min(day, next_row) if next_row else day
            continue
        for name, first, last in spans:
            if first <= day <= last and (row.in_rate or row.volume or row.partial):
                tally = tallies[name]
                tally[0] += row.in_rate
                tally[1] += row.in_rate and row.success
                tally[2] += row.volume
                tally[3] += row.partial
                tally[4] = min(day, tally[4]) if tally[4] else day
        if row.volume and day > last_volume:
            last_volume = day
        if row.in_rate:
            if path and day >= path_start:
                steps += 1
                failed += not row.success
                value = max(0.0, value + (path.success_weight if row.success else path.failure_weight))
                if crossed is None and value >= path.limit - TOLERANCE:
                    crossed, crossed_step = _entry(row), steps
            if run_start is not None and day >= run_start:
                if row.success:
                    running = 0
                    run.clear()
                else:
                    running += 1
                    run.append(row)
        if row.credit:
            for part in credit.values():
                if day >= part.first:
                    part.add(row)
        if row.safety and row.punctures + row.events:
            if (
                attempts_start is not None
                and day >= attempts_start
                and row.punctures
                and (
                    (ask.punctures is not None and row.punctures > ask.punctures)
                    or (ask.total is not None and row.total > ask.total)
                )
            ):
                attempts.append(_entry(row))
            if events_start is not None and day >= events_start and row.events & ask.event_kinds:
                events.append(_entry(row, events=row.events & ask.event_kinds))
    return Figures(
        clinician=clinician,
        procedure=procedure,
        windows={
            name: Count(
                trials=tally[0],
                successes=tally[1],
                volume=tally[2],
                partial=tally[3],
                oldest=date.fromordinal(tally[4]) if tally[4] else None,
            )
            for name, tally in tallies.items()
        },
        credits={name: part.count() for name, part in credit.items()},
        drift=Drift(steps, failed, value, crossed, crossed_step) if path else None,
        failures_running=running,
        run=tuple(_entry(row) for row in run),
        last_volume_day=date.fromordinal(last_volume) if last_volume else None,
        attempts=tuple(attempts),
        events=tuple(events),
        next_row_on=date.fromordinal(next_row) if next_row else None,
    )
