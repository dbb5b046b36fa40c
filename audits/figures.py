"""What is asked of the evidence and what comes back: plain frozen data, no Django, no thresholds of its own.

An `Ask` is made by the rules in force; `audits.measures` answers it with `Figures`. One fold serves one clinician and
all.
"""

from collections import Counter, deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from uuid import UUID

from audits.rows import ALL_EVENTS, EVENTS, Credit, Row, Safety, Stratum, event_bits, event_codes

# The rows are part of what is asked and answered: one import serves for both.
__all__ = [
    "ALL_EVENTS",
    "EVENTS",
    "Ask",
    "Count",
    "Credit",
    "CreditAsk",
    "CreditCount",
    "Drift",
    "EntryFact",
    "Figures",
    "PathAsk",
    "Row",
    "Safety",
    "Stratum",
    "Window",
    "event_bits",
    "event_codes",
    "fold",
    "insertions_named",
    "lenders",
    "with_uuids",
]

TOLERANCE = 1e-9  # a sum that reaches a limit but for rounding has reached it


@dataclass(frozen=True, slots=True)
class Window:
    """Days `first` to `last`, both included."""

    first: date
    last: date


@dataclass(frozen=True, slots=True)
class PathAsk:
    """A drift path: insertions in the rate from `start` on, stepped with these weights up to this limit.

    failure_weight > 0 > success_weight, as `audits.statistics.sequential.score_weights` gives them.
    """

    start: date
    failure_weight: float
    success_weight: float
    limit: float


@dataclass(frozen=True, slots=True)
class CreditAsk:
    """Credit from a day on. What was countersigned as nearby gives supervisors and days only where it counts.

    `others` are procedures whose insertions under supervision count as well: the first `cap` of all of them in time.
    """

    first: date
    nearby: bool = False
    others: frozenset[int] = frozenset()
    cap: int = 0


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
    simulations; `main` are the supervisors of most of what counts (of several with equally many, all of them).
    `lent` are (procedure, insertions) that other procedures give within the cap, `lent_successful` of these worked
    first time, `beyond` more would count but for the cap. What is lent is in supervisors, days and questions, and not
    in `attempted` or `successful`.
    """

    attempted: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    successful: tuple[int, ...] = (0, 0, 0, 0, 0, 0)
    in_question: int = 0
    supervisors: frozenset[int] = frozenset()
    days: int = 0
    main: frozenset[int] = frozenset()
    lent: tuple[tuple[int, int], ...] = ()
    lent_successful: int = 0
    beyond: int = 0


def lenders(ask: Ask) -> frozenset[int]:
    """The other procedures whose rows this ask needs."""
    return frozenset().union(*(part.others for part in ask.credits.values()))


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

    __slots__ = (
        "attempted", "beyond", "cap", "days", "first", "in_question", "lent", "lent_successful", "nearby", "others",
        "successful", "supervisors",
    )  # fmt: skip

    def __init__(self, ask: CreditAsk) -> None:
        self.first, self.nearby = ask.first.toordinal(), ask.nearby
        self.others, self.cap = ask.others, ask.cap
        self.attempted, self.successful = [0] * 6, [0] * 6
        self.in_question = self.lent_successful = self.beyond = 0
        self.supervisors: Counter[int] = Counter()
        self.days: set[int] = set()
        self.lent: Counter[int] = Counter()

    def add(self, row: Row) -> None:
        kind = row.credit
        self.attempted[kind] += 1
        self.successful[kind] += row.success
        if kind != Credit.SIMULATION and (kind != Credit.NEARBY or self.nearby):
            self._counted(row)

    def lend(self, row: Row) -> None:
        """Count a row of another procedure, in order of time over all of them."""
        if row.procedure not in self.others or row.day < self.first:
            return
        if row.credit != Credit.IN_ROOM and (row.credit != Credit.NEARBY or not self.nearby):
            return
        if self.lent.total() == self.cap:
            self.beyond += 1
            return
        self.lent[row.procedure] += 1
        self.lent_successful += row.success
        self._counted(row)

    def _counted(self, row: Row) -> None:
        self.in_question += row.in_question
        self.days.add(row.day)
        if row.supervisor and row.credit in (Credit.IN_ROOM, Credit.NEARBY):
            self.supervisors[row.supervisor] += 1

    def count(self) -> CreditCount:
        most = max(self.supervisors.values(), default=0)
        return CreditCount(
            attempted=tuple(self.attempted),
            successful=tuple(self.successful),
            in_question=self.in_question,
            supervisors=frozenset(self.supervisors),
            days=len(self.days),
            main=frozenset(one for one, times in self.supervisors.items() if times == most),
            lent=tuple(sorted(self.lent.items())),
            lent_successful=self.lent_successful,
            beyond=self.beyond,
        )


class _WindowTally:
    """A running `Count`; days are ordinals."""

    __slots__ = ("first", "last", "oldest", "partial", "successes", "trials", "volume")

    def __init__(self, window: Window, on: int) -> None:
        self.first, self.last = window.first.toordinal(), min(window.last.toordinal(), on)
        self.trials = self.successes = self.volume = self.partial = self.oldest = 0

    def count(self) -> Count:
        oldest = date.fromordinal(self.oldest) if self.oldest else None
        return Count(self.trials, self.successes, self.volume, self.partial, oldest)


class _Entries:
    """The entries that the rules about single entries ask for."""

    def __init__(self, ask: Ask) -> None:
        self.ask = ask
        self.attempts_from = ask.attempts_from.toordinal() if ask.attempts_from else _NEVER
        self.events_from = ask.events_from.toordinal() if ask.events_from else _NEVER
        # More than so many make an entry worth a look.
        self.punctures = _NEVER if ask.punctures is None else ask.punctures
        self.total = _NEVER if ask.total is None else ask.total
        self.attempts: list[EntryFact] = []
        self.events: list[EntryFact] = []

    def add(self, row: Row) -> None:
        if not row.safety:
            return
        over = row.punctures and (row.punctures > self.punctures or row.total > self.total)
        if over and row.day >= self.attempts_from:
            self.attempts.append(_entry(row))
        kinds = row.events & self.ask.event_kinds
        if kinds and row.day >= self.events_from:
            self.events.append(_entry(row, events=kinds))


_NEVER = 1 << 30  # past every day and every count


def _entry(row: Row, *, events: int = 0) -> EntryFact:
    return EntryFact(
        insertion=row.insertion,
        day=date.fromordinal(row.day),
        punctures=row.punctures,
        total=row.total,
        events=events,
        who_disputed=row.safety == Safety.WHO_DISPUTED,
    )


def fold(
    clinician: int, procedure: int, rows: Iterable[tuple[int, ...]], ask: Ask, *, lent: Iterable[tuple[int, ...]] = ()
) -> Figures:
    """Step once through one clinician's rows of one procedure, in path order, and answer the ask.

    Rows are `Row`s, or plain tuples of the same columns. Those after `ask.on` are passed over. `lent` are this
    clinician's rows of the procedures that `lenders(ask)` names, in any order: they reach credit and nothing else.
    Raises ValueError when rows come out of order: a drift path out of order is a wrong path.
    """
    on = ask.on.toordinal()
    windows = {name: _WindowTally(window, on) for name, window in ask.windows.items()}
    tallies = tuple(windows.values())
    earliest = min((tally.first for tally in tallies), default=_NEVER)
    credit = {name: _CreditTally(part) for name, part in ask.credits.items()}
    credit_from = min((part.first for part in credit.values()), default=_NEVER)
    entries = _Entries(ask)
    most_punctures, most_total = entries.punctures, entries.total
    path = ask.path or PathAsk(date.max, 0.0, 0.0, 0.0)
    path_from, limit = path.start.toordinal(), path.limit - TOLERANCE
    up, down = path.failure_weight, path.success_weight
    run_from = ask.run_from.toordinal() if ask.run_from else _NEVER
    value, steps, failed, crossed, crossed_at = 0.0, 0, 0, None, None
    running, run = 0, deque[tuple[int, ...]](maxlen=RUN_KEPT)
    last_volume, next_row = 0, _NEVER
    time_before, tie_before = -(1 << 63), 0
    for row in rows:
        # One unpacking costs less than naming the columns one by one, and this loop runs for every insertion there is.
        _, _, time, tie, _, day, in_rate, success, punctures, total, events, _, counts, _, volume, partial = row[:16]
        if time <= time_before and (time < time_before or tie < tie_before):
            raise ValueError(f"rows out of path order: {(time, tie)} after {(time_before, tie_before)}")
        time_before, tie_before = time, tie
        if day > on:
            next_row = min(next_row, day)
            continue
        if day >= earliest and (in_rate or volume or partial):
            for tally in tallies:
                if tally.first <= day <= tally.last:
                    tally.trials += in_rate
                    tally.successes += in_rate and success
                    tally.volume += volume
                    tally.partial += partial
                    if not tally.oldest or day < tally.oldest:
                        tally.oldest = day
        if volume and day > last_volume:
            last_volume = day
        if in_rate:
            if day >= path_from:
                steps += 1
                if success:
                    value += down
                    if value < 0.0:
                        value = 0.0
                else:
                    failed += 1
                    value += up
                    if value >= limit and crossed is None:
                        crossed, crossed_at = row, steps
            if day >= run_from:
                if not success:
                    running += 1
                    run.append(row)
                elif running:
                    running = 0
                    run.clear()
        if counts and day >= credit_from:
            for part in credit.values():
                if day >= part.first:
                    part.add(Row._make(row))
        if events or punctures > most_punctures or total > most_total:
            entries.add(Row._make(row))
    for other in sorted(map(Row._make, lent), key=lambda row: (row.time, row.tie)):
        if other.day > on:
            next_row = min(next_row, other.day)
        elif other.credit:
            for part in credit.values():
                part.lend(other)
    return Figures(
        clinician=clinician,
        procedure=procedure,
        windows={name: tally.count() for name, tally in windows.items()},
        credits={name: part.count() for name, part in credit.items()},
        drift=Drift(steps, failed, value, _entry(Row._make(crossed)) if crossed else None, crossed_at)
        if ask.path
        else None,
        failures_running=running,
        run=tuple(_entry(Row._make(failure)) for failure in run),
        last_volume_day=date.fromordinal(last_volume) if last_volume else None,
        attempts=tuple(entries.attempts),
        events=tuple(entries.events),
        next_row_on=date.fromordinal(next_row) if next_row != _NEVER else None,
    )
