"""What is going to happen in the invented group, as plain data: who is where, who holds what, each insertion.

Nothing here touches a database. People are named by staff number, units by the keys of `groundplan`, days are local.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any
from uuid import UUID
from zlib import crc32

import numpy as np

from audits.calendar import add_months
from audits.entry import AttemptMade
from config.demo.groundplan import hospital

if TYPE_CHECKING:
    from config.demo.doors import Doors

Act = Callable[["Doors"], object]
MIDDAY = time(12, 30)
NO_HOUR = 2  # where the clocks change it is there twice or not at all
FIRST_REVIEW = 12  # days before today; another is on the day itself
SHEETS_COME_ON = 3  # of the next month


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A clinician with the first placement. `opened` is the day on which the register takes them in."""

    number: str
    name: str
    unit: str
    profession: str = "nurse"
    kind: str = "employed"
    opened: date
    joined: date
    left: date | None = None
    account: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """An appointment. `who` is a staff number, or the e-mail of somebody who is no clinician."""

    who: str
    role: str
    unit: str
    day: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Certificate:
    """Held before the register knew: entered by one and confirmed by another, on a day."""

    who: str
    procedure: str
    scope: str
    awarded_on: date
    expires_on: date
    entered_on: date


@dataclass(frozen=True, slots=True, kw_only=True)
class Insertion:
    """One insertion as it was, and when it was logged. `answer` is what the supervisor makes of it; '' is nothing yet.

    `from_sheet`: it stands in the monthly sheet of the hospital instead of being logged.
    """

    uuid: UUID
    who: str
    unit: str
    procedure: str
    at: datetime
    logged: datetime
    attempts: tuple[AttemptMade, ...] = ()
    not_attempted: str = ""
    events: tuple[str, ...] = ()
    supervisor: str = ""
    nearness: str = ""
    answer: str = ""
    note: str = ""
    emergency: bool = False
    simulation: bool = False
    others_before: int = 0
    difficult: str = ""
    help_called: str = ""
    comment: str = ""
    joins: UUID | None = None
    from_sheet: bool = False

    @property
    def works(self) -> bool:
        return bool(self.attempts) and self.attempts[0].result == "working"


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """A holder whose insertions all work first time with the same chance, whatever else happens."""

    who: str
    procedure: str
    true_rate: float


@dataclass
class Plan:
    """Everything that happens from `start` until the end of the day before `today`."""

    today: date
    seed: int
    members: dict[str, Member] = field(default_factory=dict)
    posts: list[Post] = field(default_factory=list)
    certificates: list[Certificate] = field(default_factory=list)
    insertions: list[Insertion] = field(default_factory=list)
    steady: list[Steady] = field(default_factory=list)
    turns: list[tuple[datetime, Act]] = field(default_factory=list)
    after_review: list[tuple[datetime, Act]] = field(default_factory=list)
    learning: dict[str, date] = field(default_factory=dict)  # who learns ADULT, since when
    supervisors: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    names: list[str] = field(default_factory=list)

    @property
    def start(self) -> date:
        return add_months(self.today, -24)

    def ago(self, days: int) -> date:
        return self.today - timedelta(days=days)

    @property
    def last_sheet(self) -> date:
        """The first day of which no sheet can have come yet: those of a month come in with the third of the next."""
        return add_months(self.today.replace(day=1), 0 if self.today.day > SHEETS_COME_ON else -1)

    def rng(self, *about: str) -> np.random.Generator:
        """A stream of chance of its own for each subject, so that one person's story never changes another's."""
        return np.random.default_rng([self.seed, crc32("/".join(about).encode())])

    # --- people ---

    def member(self, unit: str, *, number: str = "", name: str = "", opened: date | None = None, **more: Any) -> str:
        """Take somebody in, with the next number and name if none is given; the staff number."""
        number = number or f"{4100 + 7 * len(self.members):06}"
        if number in self.members:
            raise ValueError(f"staff number {number} is given twice")
        day = opened or self.start
        more.setdefault("joined", day if opened else self.start - timedelta(days=200 + 30 * (len(self.members) % 40)))
        self.members[number] = Member(number=number, name=name or self.names.pop(0), unit=unit, opened=day, **more)
        return number

    def appoint(self, who: str, role: str, unit: str, day: date | None = None) -> None:
        """Appoint somebody; a supervisor is then named by the unit's trainees."""
        self.appoint_aside(who, role, unit, day or self.start)
        if role == "supervisor":
            self.supervisors[unit].append(who)

    def appoint_aside(self, who: str, role: str, unit: str, day: date) -> None:
        """The same, named by no trainee but those of a story."""
        self.posts.append(Post(who=who, role=role, unit=unit, day=day))

    def holds(
        self,
        who: str,
        procedure: str = "ADULT",
        *,
        expires_on: date,
        entered_on: date | None = None,
        months: int = 24,
        scope: str = "",
    ) -> None:
        """An award from before, valid for about so many months, kept on paper until `entered_on`."""  # fmt: skip
        day = entered_on or self.start
        self.certificates.append(
            Certificate(
                who=who,
                procedure=procedure,
                scope=scope or hospital(self.members[who].unit),
                awarded_on=awarded_for(expires_on, months, latest=day),
                expires_on=expires_on,
                entered_on=day,
            )
        )

    # --- what happens ---

    def turn(self, day: date, act: Act, at: time = MIDDAY) -> None:
        """Something that happens once, if before today. Turns of one moment happen in the order of planning."""
        if day < self.today:
            self.turns.append((datetime.combine(day, at), act))

    def inserts(
        self,
        rng: np.random.Generator,
        who: str,
        at: datetime,
        attempts: tuple[AttemptMade, ...],
        *,
        logged: datetime | None = None,
        unit: str = "",
        procedure: str = "ADULT",
        **more: Any,
    ) -> Insertion | None:
        """Plan one insertion; None for one that would be logged today or later, which has not happened yet."""
        entered = logged or at + timedelta(minutes=int(rng.integers(8, 55)))
        if entered.hour == NO_HOUR:
            entered += timedelta(hours=1)
        if max(at, entered) >= datetime.combine(self.today, time()):
            return None
        made = Insertion(
            uuid=UUID(bytes=rng.bytes(16), version=4),
            who=who,
            unit=unit or self.members[who].unit,
            procedure=procedure,
            at=at,
            logged=entered,
            attempts=attempts,
            **more,
        )
        self.insertions.append(made)
        return made

    def supervised(
        self, rng: np.random.Generator, who: str, at: datetime, attempts: tuple[AttemptMade, ...], **more: Any
    ) -> Insertion | None:
        """The same with a supervisor of the unit in the room, who will countersign it, unless told otherwise."""
        unit = more.get("unit") or self.members[who].unit
        if "supervisor" not in more:
            more["supervisor"] = self.supervisors[unit][int(rng.integers(0, len(self.supervisors[unit])))]
        return self.inserts(rng, who, at, attempts, **({"nearness": "in_room", "answer": "in_room"} | more))


def awarded_for(expires_on: date, months: int, *, latest: date) -> date:
    """A day from which whole months, at least as many as asked, end on `expires_on`; not after `latest`."""
    for number in range(months, months + 60):
        day = add_months(expires_on, -number)
        if day <= latest and add_months(day, number) == expires_on:
            return day
    raise ValueError(f"no award of {months} months or more ends on {expires_on}")
