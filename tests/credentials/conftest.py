"""A department where a programme and rules are in force, and the people who learn, supervise and decide there."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from audits import countersigning, logbook
from audits.completions import NewCompletion, record_completion
from audits.entry import Entry
from audits.models import Insertion, Procedure
from credentials.models import Programme, Rules
from credentials.proposing import approve, document_digest, propose
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger import clock
from people.models import Clinician, Unit, User
from people.settings import set_setting
from people.signing import Confirmed, confirm
from tests.audits.conftest import WORKED, entry_of, give_award
from tests.factories import SECRET, Cast, ProcedureFactory, make_appointed, make_cast, make_clinician

NOW = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)  # 13:30 in Adelaide
TODAY = date(2026, 3, 2)
START = date(2025, 1, 1)


@dataclass(frozen=True)
class Stage:
    """`learner` is the cast's owner; two supervisors hold the procedure; `second` is another educator."""

    cast: Cast
    procedure: Procedure
    ward: Unit
    learner: Clinician
    supervisors: tuple[User, User]
    second: User

    @property
    def educator(self) -> User:
        return self.cast.educator

    @property
    def pair(self) -> tuple[int, int]:
        return self.learner.pk, self.procedure.pk

    def log(self, on: datetime, *, by: int = 0, signed: bool = True, **changes: Any) -> Insertion:
        """The learner logs an insertion of that local time on that day; the supervisor signs an hour later."""
        entry: Entry = entry_of(self.learner, self.ward, self.supervisors[by], performed=on, **changes)
        with clock.at(on.replace(tzinfo=UTC)):
            made = logbook.record_insertion(actor=self.learner.user, entry=entry)
        if signed:
            with clock.at(on.replace(tzinfo=UTC) + timedelta(hours=1)):
                signer = sign(self.supervisors[by], made.digest, meaning="countersigned")
                countersigning.countersign(signer=signer, insertion=made, nearness="in_room")
        return made

    def ready_to_learn(self, on: date) -> None:
        """Enrolled, and the terms of entry met on that day."""
        from credentials.enrolling import enrol

        enrol(actor=self.educator, clinician=self.learner, procedure=self.procedure, from_day=on)
        for kind in ("knowledge", "simulation"):
            record_completion(
                actor=self.educator,
                new=NewCompletion(
                    clinician=self.learner, procedure=self.procedure, kind=kind, on=on, verified_by="Ed Ucator"
                ),
            )

    def ten_insertions(self, first: datetime) -> None:
        for place in range(10):
            self.log(first + timedelta(days=place), by=place % 2, attempts=(WORKED,))


def sign(user: User, *digests: str, meaning: str = "decided") -> Confirmed:
    return confirm(user=user, secret=SECRET, meaning=meaning, digests=list(digests))


def put_in_force(model: type, stage: Stage, content: dict[str, Any], effective_on: date = START) -> Programme | Rules:
    """Proposed by the educator, approved by the second."""
    document = propose(
        model,
        actor=stage.educator,
        unit=stage.cast.wards.department,
        procedure=stage.procedure,
        name="Local",
        content=content,
        effective_on=effective_on,
    )
    return approve(signer=sign(stage.second, document_digest(document)), document=document)


@pytest.fixture
def now() -> Iterator[datetime]:
    with clock.at(NOW):
        yield NOW


@pytest.fixture
def stage(db: None, now: datetime) -> Stage:
    cast = make_cast()
    procedure = ProcedureFactory()
    department = cast.wards.department
    seniors = []
    for user in (cast.supervisor, make_appointed("supervisor", department, "Sen Ior")):
        holder = make_clinician(cast.wards.ward, user.name, account=False)
        Clinician.objects.filter(pk=holder.pk).update(user=user)
        give_award(holder, procedure, department, terms=_terms_text())
        seniors.append(user)
    made = Stage(
        cast, procedure, cast.wards.ward, cast.owner, (seniors[0], seniors[1]), make_appointed("educator", department)
    )
    put_in_force(Programme, made, Terms().to_content())
    put_in_force(Rules, made, default_content())
    set_setting(
        actor=made.educator,
        unit=department,
        name="start_day",
        value=START.isoformat(),
        about=procedure.code,
        from_day=START,
    )
    return made


def _terms_text() -> str:
    from ledger.canonical import canonical

    return canonical(Terms().to_content())
