# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""The stage of the evidence tests: a cast whose supervisor holds the procedure, and entries to log."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import uuid4
from zoneinfo import ZoneInfo

import pytest

from audits.awards import award_digest
from audits.entry import AttemptMade, Entry
from audits.models import Award, Procedure
from ledger import clock
from ledger.acts import recording
from people.models import Clinician, Unit, User
from people.signing import Confirmed, confirm
from tests.factories import SECRET, ZONE, Cast, ProcedureFactory, make_cast, make_clinician

NOW = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)  # 13:30 in Adelaide
WORKED = AttemptMade(site="forearm", gauge=20, result="working", side="left")
FAILED = AttemptMade(site="hand", gauge=22, result="failed", reason="through")


@dataclass(frozen=True)
class Stage:
    cast: Cast
    procedure: Procedure
    ward: Unit
    owner: Clinician
    supervisor: User
    holder: Clinician  # the supervisor's own clinician, whose award covers the department

    def entry(self, **changes: Any) -> Entry:
        return entry_of(self.owner, self.ward, self.supervisor, **changes)


def entry_of(clinician: Clinician, at: Unit, seen_by: User | None, **changes: Any) -> Entry:
    """A routine entry: working first time, supervised in the room, nothing serious."""
    said: dict[str, Any] = {
        "uuid": uuid4(),
        "clinician": clinician.uuid,
        "unit": at.uuid,
        "band": "adult",
        "performed": datetime(2026, 3, 2, 12, 0),
        "attempts": (WORKED,),
        "events": (),
        "supervisor": seen_by.uuid if seen_by else None,
        "nearness": "in_room" if seen_by else "",
    }
    return Entry(**{**said, **changes})


def give_award(clinician: Clinician, procedure: Procedure, unit: Unit, **changes: Any) -> Award:
    """An award in force for years, straight into the table, by an act that names it as a signed one would."""
    facts: dict[str, Any] = {
        "clinician": clinician,
        "procedure": procedure,
        "scope_unit": unit,
        "programme": uuid4(),
        "terms": "{}",
        "kind": Award.Kind.AWARD,
        "from_day": date(2025, 1, 1),
        "anchor": date(2025, 1, 1),
        "months": 24,
        "expires_on": date(2027, 1, 1),
        "basis": "{}",
        **changes,
    }
    with recording(actor=None, kind="award.made", subject=clinician.uuid) as rec:
        made = Award.objects.create(**{"known_from_id": rec.seq, **facts})
        rec.content |= {"award": str(made.uuid), "award_digest": award_digest(made)}
    return made


def make_stage(**award: Any) -> Stage:
    cast = make_cast()
    procedure = ProcedureFactory()
    holder = make_clinician(cast.wards.ward, "Su Pervisor", account=False)
    Clinician.objects.filter(pk=holder.pk).update(user=cast.supervisor)
    holder.refresh_from_db()
    give_award(holder, procedure, cast.wards.department, **award)
    return Stage(cast, procedure, cast.wards.ward, cast.owner, cast.supervisor, holder)


def an_hour_ago() -> datetime:
    """By the real clock, the local time of the wards of an hour ago, to the minute."""
    there = (datetime.now(UTC) - timedelta(hours=1)).astimezone(ZoneInfo(ZONE))
    return there.replace(second=0, microsecond=0, tzinfo=None, fold=0)


def confirmed(user: User, *digests: str, meaning: str = "countersigned") -> Confirmed:
    return confirm(user=user, secret=SECRET, meaning=meaning, digests=digests)


@pytest.fixture
def now() -> Iterator[datetime]:
    """The clock stands at NOW."""
    with clock.at(NOW):
        yield NOW


@pytest.fixture
def stage(db: None, now: datetime) -> Stage:
    return make_stage()
