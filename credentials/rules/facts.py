"""What a standing is judged from, but for the counts of insertions: dated facts, frozen, without a database.

Spans are half-open: a fact holds from `starts` and no longer on `until`. Units are named by their numbers; `lines`
tells where each stands in the tree. Facts are those of one clinician and procedure as known at one moment. They reach
past the day that is judged as far as they are known, so that the next change can be worked out from them.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from functools import lru_cache

from audits.calendar import add_months
from audits.checklist import Setting
from credentials.rules.answers import Answer
from credentials.rules.ruleset import RuleSet
from credentials.rules.terms import Terms

months_after = lru_cache(maxsize=65536)(add_months)
"""`audits.calendar.add_months`, remembered: a register asks for the same few days again and again."""


@dataclass(frozen=True, slots=True)
class Span:
    """From `starts` until before `until`; None is until further notice."""

    starts: date
    until: date | None = None

    def covers(self, day: date) -> bool:
        return self.starts <= day and (self.until is None or day < self.until)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """The clinician on a unit. `ceiling` is the most that the kind of placement allows there; None is no limit."""

    span: Span
    unit: int
    kind: str
    home: bool = False
    ceiling: Answer | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Appointment:
    span: Span
    unit: int
    role: str


class AwardKind(StrEnum):
    AWARD = "award"
    RENEWAL = "renewal"
    FOUNDING = "founding"
    RECOGNISED = "recognised"


@dataclass(frozen=True, slots=True, kw_only=True)
class Award:
    """An award, or its renewal, at a unit and all below.

    `span.starts` is the day from which it holds (of a renewal, the day of its decision); `span.until` is set only where
    it ended before its calendar end: replaced by a renewal, withdrawn. `months` are counted in all from `anchor`.
    `first` says that provisional months apply (a first award; not a founding one). `programme` is the version's UUID.
    """

    uuid: str
    kind: AwardKind
    unit: int
    span: Span
    anchor: date
    months: int
    terms: Terms
    first: bool = False
    programme: str = ""

    @property
    def expires_on(self) -> date:
        """The first day on which it is no longer valid by the calendar."""
        return months_after(self.anchor, self.months)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scope:
    """A scope by role: may insert by appointment, without enrolling, at a unit and all below."""

    uuid: str
    unit: int
    span: Span


class RestrictionKind(StrEnum):
    SUSPENSION = "suspension"
    STAND_DOWN = "stand_down"
    WITHDRAWAL = "withdrawal"
    PLAN = "plan"
    RETURN_PLAN = "return_plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class Restriction:
    """A signed decision that limits somebody everywhere.

    For a plan `span.until` is the day of the signed decision that ended it (None while it is open): a plan past
    `due_on` stays in force, overdue. `due_on` is the last day by which it should be done. `answer` is what a plan
    allows, `insertions` and `observations` how many supervised insertions and observations for a decision it asks.
    """

    uuid: str
    kind: RestrictionKind
    span: Span
    answer: Answer = Answer.NO
    due_on: date | None = None
    insertions: int = 0
    observations: int = 0

    @property
    def is_plan(self) -> bool:
        return self.kind in (RestrictionKind.PLAN, RestrictionKind.RETURN_PLAN)


@dataclass(frozen=True, slots=True, kw_only=True)
class Enrolment:
    """Learning under the terms of one version. Enrolments that follow without a gap are one time of learning."""

    uuid: str
    span: Span
    terms: Terms
    programme: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Completion:
    """Something done towards terms: 'knowledge', 'simulation', or 'return' for a return step signed as done.

    `valid_until` is the first day on which it no longer counts.
    """

    uuid: str
    kind: str
    day: date
    valid_until: date | None = None

    def counts(self, day: date) -> bool:
        return self.day <= day and (self.valid_until is None or day < self.valid_until)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recognised:
    """So many insertions that were accepted, from a day on, of what somebody brought from elsewhere."""

    uuid: str
    day: date
    insertions: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """A signed observation; second ratings are none of these.

    `assessor` is a number. `verdict`, for a decision, is 'met', 'partly' (stopped at a missed vein, everything before
    it met) or 'not_yet'. `missed` are the texts of the critical steps not met, or met only after a prompt.
    """

    uuid: str
    day: date
    assessor: int
    for_decision: bool = True
    setting: Setting = Setting.PATIENT
    verdict: str = "met"
    missed: tuple[str, ...] = ()
    disputed: bool = False

    @property
    def with_patient(self) -> bool:
        return self.setting is Setting.PATIENT


class Basis(StrEnum):
    """How complete a holder's own entries are."""

    EVERY_INSERTION = "every_insertion"
    FORTNIGHT = "fortnight"
    TALLY = "tally"


@dataclass(frozen=True, slots=True)
class BasisFrom:
    """The logging basis in effect from a day until the next."""

    starts: date
    basis: Basis


@dataclass(frozen=True, slots=True)
class Tallied:
    """Insertions of a shift tally on a day, at least one; none of them is logged as an entry."""

    day: date
    insertions: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """All of them, for one clinician and procedure.

    home: number of the home unit (of the day judged; without a placement, the last home; for somebody never placed, the
        unit of an appointment), None if there is none of these.
    lines: for each unit that a placement, award or scope names, and the home unit, the units from it up to the root,
        itself first, as the tree stands on the day judged.
    rules: the set that judges on the day, None if the unit has none; the days on which another takes over are in
        `later_changes`.
    basis: logging basis of the home unit of each day, ascending; empty means every insertion.
    tallies: shift tallies of insertions, ascending; of one day there may be several, from several units.
    start: the start day of the home unit and procedure, None if nobody has set one.
    drift_since: first day on which the present drift parameters judge this person without a break, None for always.
    drift_restarts: local days on which a flag of drift was closed.
    dispute_days: days on which a dispute that is open now runs out and its entry returns to safety.
    later_changes: later days on which a set, programme, setting, zone or tree takes effect for this person.
    logged_through: the last day for which entries can have been made, where a later day is judged; None where the day
        judged is not in the future. What nobody can have logged yet is no evidence.
    counted_from: of each other procedure whose insertions the terms of an enrolment count, its number and name by code.
    held: what `awards.held_award` has worked out already, so that each rule need not again.
    """

    home: int | None
    lines: Mapping[int, tuple[int, ...]]
    placements: tuple[Placement, ...] = ()
    appointments: tuple[Appointment, ...] = ()
    awards: tuple[Award, ...] = ()
    scopes: tuple[Scope, ...] = ()
    restrictions: tuple[Restriction, ...] = ()
    enrolments: tuple[Enrolment, ...] = ()
    absences: tuple[Span, ...] = ()
    completions: tuple[Completion, ...] = ()
    recognised: tuple[Recognised, ...] = ()
    observations: tuple[Observation, ...] = ()
    basis: tuple[BasisFrom, ...] = ()
    tallies: tuple[Tallied, ...] = ()
    start: date | None = None
    rules: RuleSet | None = None
    drift_since: date | None = None
    drift_restarts: tuple[date, ...] = ()
    dispute_days: tuple[date, ...] = ()
    later_changes: tuple[date, ...] = ()
    logged_through: date | None = None
    counted_from: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    held: dict[date, Award | None] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def home_line(self) -> tuple[int, ...]:
        """The home unit and the units above it, nearest first; empty without a home."""
        return self.line(self.home) if self.home is not None else ()

    @property
    def spans(self) -> tuple[Span, ...]:
        """Every span of every fact, so that nothing that begins or ends is forgotten."""
        return (
            *(one.span for one in self.placements),
            *(one.span for one in self.appointments),
            *(one.span for one in self.awards),
            *(one.span for one in self.scopes),
            *(one.span for one in self.restrictions),
            *(one.span for one in self.enrolments),
            *self.absences,
        )

    @property
    def begun_on(self) -> tuple[date, ...]:
        """The first day of each award, enrolment and scope: what ties somebody to the procedure."""
        return (
            *(one.span.starts for one in self.awards),
            *(one.span.starts for one in self.enrolments),
            *(one.span.starts for one in self.scopes),
        )

    def line(self, unit: int) -> tuple[int, ...]:
        """A unit and the units above it, nearest first. Raises ValueError for a unit whose place was not given."""
        try:
            return self.lines[unit]
        except KeyError:
            raise ValueError(f"no place in the tree given for unit {unit}; given: {sorted(self.lines)}") from None
