"""A small hospital where every verb has something to do, and a walk through them, one small step at a time."""

import random
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db import models, transaction

from audits import corrections, countersigning, disputes, logbook, logbook_sheets, observing
from audits.awards import NewScope
from audits.completions import NewCompletion, record_completion
from audits.entry import AttemptMade, Difficulty
from audits.models import Award, Checklist, Completion, Dispute, Insertion, Procedure, Proposal, ScopeByRole
from audits.versions import entry_of as said_in
from credentials import awarding, enrolling, flags, founding, proposing, review, staff_sheets, standings
from credentials.models import Enrolment, Flag, Founding, Programme, Rules
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger import clock
from ledger.canonical import canonical
from people import staffing, units
from people.access import NotPermitted
from people.models import Absence, Appointment, Clinician, Placement, Profession, Unit, User
from people.problems import Problems
from people.settings import set_setting
from people.signing import Confirmed, NotConfirmed, confirm
from people.tree import tree
from sheets.reading import read_workbook
from tests.audits.conftest import FAILED, WORKED, entry_of, give_award
from tests.factories import (
    SECRET,
    STEPS,
    ZONE,
    AppointmentFactory,
    Cast,
    ProcedureFactory,
    make_appointed,
    make_cast,
    make_clinician,
)
from tests.whole.carrying import Carrying
from tests.whole.disagreeing import Disagreeing
from tests.whole.grouping import Grouping
from tests.whole.limiting import Limiting
from tests.whole.planning import Planning
from tests.whole.reviewing import Reviewing
from tests.whole.taking import Taking
from tests.whole.tallying import Tallying
from tests.whole.watching import Watching

BEGUN = datetime(2026, 3, 2, 3, 0, tzinfo=UTC)  # 13:30 in Adelaide
START = date(2025, 1, 1)
# What a person may be told: nothing was written then. Anything else that a verb raises is a defect.
TOLD = (
    Problems,
    NotPermitted,
    NotConfirmed,
    logbook.Conflict,
    countersigning.AlreadyDecided,
    flags.AlreadyClosed,
    proposing.AlreadyDecided,
    observing.AlreadySigned,
)
TERMS = Terms(
    insertions=2, supervisors=1, days=1, months=4, provisional_months=1, notice_days=30, grace_days=14,
    renewal_insertions=1, renewal_months=2, supervising_after_days=5, long_absence_days=10, return_insertions=1,
)  # fmt: skip


@contextmanager
def rolled_back():
    """A transaction that goes, and that the ledger takes for a test's own, so that acts inside it are apart."""
    block = transaction.atomic()
    block._from_testcase = True
    with block:
        try:
            yield
        finally:
            transaction.set_rollback(True)


def rules_content(**changes: Any) -> dict[str, Any]:
    """Rules that fire after a few entries and a few weeks."""
    content: dict[str, Any] = default_content()
    said = {
        "first_attempt_rate": {"minimum": 5, "months": 3},
        "drift": {"run_length": 40},
        "repeated_failure": {"failures": 2},
        "recency": {"days": 21, "consequence": "review"},
        "volume": {"insertions": 3, "days": 60},
        "attempts_limit": {"months": 2},
        "serious_event": {"months": 3},
        "critical_step": {"months": 2},
        "observation_overdue": {"learning_days": 30, "holding_days": 50, "consequence": "review"},
        **changes,
    }
    for rule, values in said.items():
        content["rules"][rule] |= values
    content["again_after"] = 2
    return content


@dataclass(frozen=True)
class World:
    cast: Cast
    procedures: tuple[Procedure, ...]
    chief: User  # educators of the whole group
    deputy: User
    supervisors: tuple[User, ...]
    assessors: tuple[User, ...]
    holders: tuple[Clinician, ...]  # the supervisors' own clinicians
    administrator: User


def make_world() -> World:
    """Call it with the clock at BEGUN."""
    cast = make_cast()
    group, wards = cast.wards.group, cast.wards
    guided = ProcedureFactory(code="adult-guided", name="Adult, guided", technique="ultrasound")
    procedures = (ProcedureFactory(), guided)
    chief, deputy = (make_appointed("educator", group, name) for name in ("Chi Ef", "De Puty"))
    seniors = (cast.supervisor, make_appointed("supervisor", wards.hospital, "Sen Ior"))
    holders = []
    for user, unit in zip(seniors, (wards.department, wards.hospital), strict=True):
        holder = make_clinician(wards.ward, user.name, account=False)
        Clinician.objects.filter(pk=holder.pk).update(user=user)
        holder.refresh_from_db()
        terms = canonical(Terms().to_content())
        give_award(holder, procedures[0], unit, terms=terms, long_absence_days=10)
        holders.append(holder)
    give_award(
        cast.colleague, procedures[0], wards.hospital, terms=canonical(TERMS.to_content()), from_day=date(2026, 1, 20),
        anchor=date(2026, 1, 20), months=4, expires_on=date(2026, 5, 20),
    )  # fmt: skip
    make_clinician(wards.day_ward, "Ana Esthetist", profession=Profession.ANAESTHETIST)
    assessors = []
    for name in ("Asa Essor", "Otto Ther"):
        holder = make_clinician(wards.next_ward, name)
        give_award(holder, procedures[0], wards.hospital, terms=canonical(Terms().to_content()), long_absence_days=10)
        AppointmentFactory(user=holder.user, role="assessor", unit=wards.hospital)
        assessors.append(holder.user)
    world = World(cast, procedures, chief, deputy, seniors, tuple(assessors), tuple(holders), cast.administrator)
    for model, content in ((Programme, TERMS.to_content()), (Rules, rules_content()), (Checklist, STEPS)):
        for procedure in procedures:
            document = proposing.propose(
                model, actor=chief, unit=group, procedure=procedure, name="Local", content=content, effective_on=START
            )
            proposing.approve(signer=sign(deputy, proposing.document_digest(document)), document=document)
    for procedure in procedures:
        set_setting(actor=chief, unit=group, name="start_day", value="2026-01-01", about=procedure.code, from_day=START)
    enrolling.enrol(actor=chief, clinician=cast.owner, procedure=procedures[0], from_day=date(2026, 2, 1))
    for kind in ("knowledge", "simulation"):
        new = NewCompletion(
            clinician=cast.owner, procedure=procedures[0], kind=kind, on=date(2026, 2, 1), verified_by="Ed Ucator"
        )
        record_completion(actor=chief, new=new)
    return world


def sign(user: User, *digests: str, meaning: str = "decided") -> Confirmed:
    return confirm(user=user, secret=SECRET, meaning=meaning, digests=list(digests))


@dataclass
class Walk(Watching, Grouping, Limiting, Disagreeing, Reviewing, Tallying, Planning, Taking, Carrying):
    """The clock, and every verb. Whatever a step chooses comes from `choose`, so that a walk can be walked again."""

    world: World
    choose: random.Random
    now: datetime = BEGUN
    counted: Counter[str] = field(default_factory=Counter)
    made: int = 0

    @property
    def today(self) -> date:
        return self.now.astimezone(ZoneInfo(ZONE)).date()

    @property
    def clinicians(self) -> list[Clinician]:
        return list(Clinician.objects.order_by("pk").select_related("user"))

    def pairs(self) -> list[tuple[int, int]]:
        return [(who.pk, procedure.pk) for who in self.clinicians for procedure in self.world.procedures]

    def step(self, verb: str) -> bool:
        """One verb; False where a person was told why not, or there was nothing to do it to.

        Half of them meet standings brought up to date, which alone can be left stale.
        """
        with clock.at(self.now):
            if self.one((True, False)):
                standings.refresh()
            try:
                done = getattr(self, verb)() is not False
            except TOLD:
                done = False
        self.counted[f"{verb} {'done' if done else 'told'}"] += 1
        self.now += timedelta(seconds=1)
        return done

    # --- choosing ---

    def one(self, rows: Sequence[Any] | models.QuerySet[Any]) -> Any:
        found = list(rows.order_by("pk")) if isinstance(rows, models.QuerySet) else list(rows)
        return self.choose.choice(found) if found else None

    def clinician(self) -> Clinician:
        return self.one([*self.clinicians, self.world.cast.owner, self.world.cast.colleague])

    def procedure(self) -> Procedure:
        return self.one((self.world.procedures[0], *self.world.procedures))

    def unit(self, *levels: str) -> Unit:
        known = tree()
        return Unit.objects.get(pk=self.one(sorted(known.nodes) if not levels else sorted(
            node.id for node in known.nodes.values() if node.level in levels)))  # fmt: skip

    def day(self, before: int, after: int) -> date:
        return self.today + timedelta(days=self.choose.randint(-before, after))

    def until(self, day: date) -> date | None:
        return self.one((None, day + timedelta(days=self.choose.randint(0, 40))))

    def number(self) -> int:
        self.made += 1
        return self.made

    # --- time ---

    def time_passes(self) -> None:
        self.now += timedelta(days=self.one((1, 1, 2, 5, 12, 33, 75)), hours=self.choose.randint(0, 11))

    # --- places and settings ---

    def open_unit(self) -> None:
        parent = self.unit("hospital", "department")
        zone = self.one(("", "", "Australia/Perth", "Pacific/Auckland"))
        units.open_unit(
            actor=self.world.administrator, parent=parent, level="ward", name=f"New Ward {self.number()}", zone=zone
        )

    def rename_unit(self) -> None:
        units.change_unit(actor=self.world.administrator, unit=self.unit(), name=f"Renamed {self.number()}")

    def move_unit(self) -> None:
        units.change_unit(
            actor=self.world.administrator, unit=self.unit("ward", "department"),
            parent=self.unit("hospital", "department", "group"),
        )  # fmt: skip

    def change_zone(self) -> None:
        zone = self.one((ZONE, "Australia/Perth", "Pacific/Auckland"))
        units.change_unit(actor=self.world.administrator, unit=self.unit(), zone=zone)

    def set_setting(self) -> None:
        name, value = self.one(
            [("logging_basis", each) for each in ("every_insertion", "fortnight", "tally")]
            + [("ceiling_employed", "nearby"), ("ceiling_employed", ""), ("ceiling_agency", "in_room"),
               ("ceiling_student", "no"), ("dispute_days", "3"), ("sign_within_days", "10")]
        )  # fmt: skip
        set_setting(
            actor=self.world.chief, unit=self.unit(), name=name, value=value, from_day=self.day(40, 30),
            about=self.one(("", self.procedure().code)) if name == "logging_basis" else "",
        )  # fmt: skip

    def set_start_day(self) -> None:
        set_setting(
            actor=self.world.chief, unit=self.unit(), name="start_day", value=self.day(200, 10).isoformat(),
            about=self.procedure().code, from_day=self.day(100, 10),
        )  # fmt: skip

    # --- people ---

    def open_clinician(self) -> None:
        staffing.open_clinician(
            actor=self.world.chief,
            newcomer=staffing.Newcomer(f"New Comer {self.number()}", self.one(("nurse", "anaesthetist"))),
            unit=self.unit("ward"), kind=self.one(Placement.Kind.values), from_day=self.day(60, 5),
        )  # fmt: skip

    def rename_clinician(self) -> None:
        who = self.clinician()
        staffing.change_clinician(
            actor=self.world.chief, clinician=who, name=f"Re Named {self.number()}", profession=who.profession
        )

    def change_profession(self) -> None:
        who = self.clinician()
        staffing.change_clinician(
            actor=self.world.chief, clinician=who, name=who.name, profession=self.one(("nurse", "anaesthetist"))
        )

    def place(self) -> None:
        start = self.day(30, 20)
        staffing.place(
            actor=self.world.chief, clinician=self.clinician(), unit=self.unit(), kind=self.one(Placement.Kind.values),
            home=False, from_day=start, until_day=self.until(start),
        )  # fmt: skip

    def move(self) -> None:
        staffing.move(
            actor=self.world.chief, clinician=self.clinician(), unit=self.unit("ward"), from_day=self.day(20, 20),
            kind=self.one(Placement.Kind.values), stay=self.one((True, False)),
        )  # fmt: skip

    def end_placement(self) -> None:
        row = self.one(Placement.objects.known())
        others = list(Placement.objects.known().filter(clinician=row.clinician_id, home=False))
        new_home = self.one(others) if row.home and others else None
        until_day = self.one((None, self.day(10, 20)))
        staffing.end_placement(actor=self.world.chief, placement=row, until_day=until_day, new_home=new_home)

    def appoint(self) -> None:
        start = self.day(40, 20)
        staffing.appoint(
            actor=self.world.administrator, user=self.one(User.objects.all()), role=self.one(Appointment.Role.values),
            unit=self.unit(), from_day=start, until_day=self.until(start),
        )  # fmt: skip

    def end_appointment(self) -> None:
        keep = (self.world.chief.pk, self.world.deputy.pk, self.world.administrator.pk)
        row = self.one(Appointment.objects.known().exclude(user__in=keep))
        until_day = self.one((None, max(row.from_day, self.day(20, 20))))
        staffing.end_appointment(actor=self.world.administrator, appointment=row, until_day=until_day)

    def set_absence(self) -> None:
        start = self.day(40, 10)
        staffing.set_absence(
            actor=self.world.chief, clinician=self.clinician(), from_day=start, until_day=self.until(start)
        )

    def end_absence(self) -> Any:
        row = self.one(Absence.objects.known())
        if row is None:
            return False
        until_day = self.one((None, max(row.from_day, self.day(20, 20))))
        return staffing.end_absence(actor=self.world.chief, absence=row, until_day=until_day)

    # --- the insertion log ---

    def log(self) -> Insertion:
        who = self.one((self.world.cast.owner, self.world.cast.colleague, self.clinician()))
        home = enrolling.home_unit(who, self.today)
        unit = self.one([Unit.objects.get(pk=home)] * 3 + [self.unit("ward")]) if home else self.unit("ward")
        supervisor = self.one((*self.world.supervisors, self.world.cast.educator, None))
        performed = self.now.astimezone(ZoneInfo(tree().zone(unit.pk))).replace(tzinfo=None, microsecond=0)
        performed -= timedelta(days=self.one((0, 0, 1, 3, 20)), minutes=self.choose.randint(0, 600))
        guided = AttemptMade(site="forearm", gauge=20, result="working", side="left", technique="ultrasound")
        attempts = self.one(
            ((WORKED,), (WORKED,), (FAILED,), (FAILED,), (FAILED, WORKED), (FAILED,) * 3, (), (guided,))
        )
        earlier = self.one(Insertion.objects.known().filter(withdrawn=False))
        changes = {
            "performed": performed,
            "uuid": UUID(int=self.choose.getrandbits(128), version=4),
            "attempts": attempts,
            "technique": attempts[0].technique if attempts else "landmark",
            "not_attempted": "" if attempts else "no_vein",
            "events": self.one(((), (), (), ("needlestick",), ("arterial_puncture", "needlestick"))),
            "simulation": self.one((False,) * 6 + (True,)),
            "emergency": supervisor is None and self.one((True, False)),
            "others_before": self.one((0, 0, 0, 2)),
            "occasion": earlier.occasion if earlier is not None and self.one((True, False, False)) else "",
            "difficulty": self.one((None, None, Difficulty(scale="adult_five", score=5, scored="before"))),
            "fold": self.one((None, 0)),
        }
        if changes["emergency"]:
            changes["simulation"] = False
        entry = entry_of(who, unit, supervisor, **changes)
        actor = who.user if who.user is not None and self.one((True, True, False)) else self.world.chief
        made = logbook.record_insertion(actor=actor, entry=entry)
        if self.one((True, False)) and logbook.record_insertion(actor=actor, entry=entry).pk != made.pk:
            raise AssertionError("the same entry sent again is another one")
        return made

    def log_and_sign(self) -> None:
        made = self.log()
        if made.supervisor is not None:
            countersigning.countersign(
                signer=sign(made.supervisor, made.digest), insertion=made, nearness=self.one(("in_room", "nearby"))
            )

    def fail_again_and_again(self) -> Any:
        """Somebody who was awarded logs three insertions in a row that failed."""
        row = self.one(Award.objects.known().filter(expires_on__gt=self.today).select_related("clinician"))
        if row is None:
            return False
        unit = Unit.objects.get(pk=enrolling.home_unit(row.clinician, self.today))
        there = self.now.astimezone(ZoneInfo(tree().zone(unit.pk))).replace(tzinfo=None, microsecond=0)
        for minutes in (40, 30, 20):
            uuid = UUID(int=self.choose.getrandbits(128), version=4)
            performed = there - timedelta(minutes=minutes)
            attempts = (replace(FAILED, technique=row.procedure.technique),)
            entry = entry_of(
                row.clinician, unit, None, uuid=uuid, performed=performed, attempts=attempts, fold=0,
                technique=row.procedure.technique,
            )  # fmt: skip
            logbook.record_insertion(actor=self.world.chief, entry=entry)
        return True

    def answer(self) -> Any:
        """Countersign, send back or not me, by the named supervisor."""
        named = Insertion.objects.known().exclude(supervisor=None)
        waiting = named.exclude(statements__known_until=None, statements__isnull=False)
        row = self.one(waiting if waiting.exists() and self.one((True, True, False)) else named)
        if row is None:
            return False
        kind = self.one(("in_room", "in_room", "nearby", "sent_back", "not_me"))
        answer = countersigning.Answer(row.pk, kind, "Mend it." if kind == "sent_back" else "")
        (told,) = countersigning.answer_many(signer=sign(row.supervisor, row.digest), answers=[answer])
        return told.statement is not None

    def accept(self) -> Any:
        row = self.one(Insertion.objects.known())
        if row is None:
            return False
        return countersigning.accept_on_other_evidence(
            signer=sign(self.world.chief, row.digest), insertion=row, note="Ward book"
        )

    def correct(self) -> Any:
        row = self.one(Insertion.objects.known())
        if row is None:
            return False
        before = said_in(row)
        changes = self.one(
            (
                {"comment": f"No. {self.number()}"},
                {"attempts": (FAILED,), "technique": "landmark", "not_attempted": ""},
                {"attempts": (WORKED,), "technique": "landmark", "not_attempted": ""},
                {"clinician": self.clinician().uuid},
                {"events": ("needlestick",)},
                {"performed": before.performed - timedelta(days=1)},
                {"supervisor": self.world.supervisors[1].uuid, "nearness": "in_room", "emergency": False},
                {"unit": self.unit("ward").uuid},
            )
        )
        actor = row.clinician_user if row.clinician_user is not None and self.one((True, False)) else self.world.chief
        return corrections.correct(
            actor=actor, insertion=row, entry=replace(before, **changes), reason="It was otherwise."
        )

    def propose_withdrawal(self) -> Any:
        row = self.one(Insertion.objects.known())
        if row is None:
            return False
        return corrections.propose_withdrawal(actor=self.world.chief, insertion=row, reason="Entered twice.")

    def decide_proposal(self) -> Any:
        row = self.one(Proposal.objects.known())
        if row is None:
            self.correct()
            row = self.one(Proposal.objects.known())
        if row is None:
            return False
        named = row.insertion.supervisor or self.world.deputy
        user, how = self.one(
            ((named, {"nearness": "in_room"}), (self.world.deputy, {"note": "Ward book"}), (self.world.deputy, {}))
        )
        digest = corrections.digest_of_proposal(row)
        return corrections.decide(signer=sign(user, digest), proposal=row, agree=self.one((True, True, False)), **how)

    def take_back_proposal(self) -> Any:
        row = self.one(Proposal.objects.known())
        return False if row is None else corrections.take_back(actor=row.by, proposal=row)

    def open_dispute(self) -> Any:
        row = self.one(Insertion.objects.known())
        if row is None:
            return False
        return disputes.open_dispute(
            actor=self.world.chief, insertion=row, about=self.one(Dispute.About.values), reason="It was otherwise."
        )

    def take_back_dispute(self) -> Any:
        row = self.one(Dispute.objects.known())
        return False if row is None else disputes.take_back(actor=row.by, dispute=row)

    def import_sheet(self) -> Any:
        """Two to four rows; sometimes the same sheet again, or with a row changed."""
        rows = ["Staff number,Unit,Date,Time,Patient group,Result,Attempts,Gauge,Site,Serious events,Supervisor"]
        known = tree()
        for _ in range(self.choose.randint(2, 4)):
            who = self.one((self.world.cast.owner, self.world.cast.colleague))
            home = enrolling.home_unit(who, self.today)
            day = self.one((self.day(60, 0), self.day(3, 0), START - timedelta(days=2)))
            at, result = self.one(("09:10", "11:35", "17:05")), self.one(("First time", "Failed", "Failed"))
            rows.append(
                f"{who.staff_number},{known.path(home)},{day:%d/%m/%Y},{at},Adult,{result},1,20G,L forearm,none,"
                f"{self.one((*self.world.supervisors,)).name}"
            )
        data = "\n".join(rows).encode()
        days = self.one((None, (self.today - timedelta(days=90), self.today)))
        plan = logbook_sheets.plan_import(
            actor=self.world.chief,
            tables=logbook_sheets.read_tables(read_workbook(data, name="logbook.csv")),
            file=sha256(data).hexdigest(),
            days=days,
        )
        if not plan.has_work:
            return False
        return logbook_sheets.carry_out(signer=sign(self.world.chief, plan.digest), plan=plan)

    def import_staff(self) -> Any:
        """A newcomer who learns, somebody who holds, and now and then a row that stands already."""
        rows = [
            "Staff number,Name,Profession,Unit,From,Learning,Learning since,Knowledge test,"
            "Holds,Awarded on,Evidence,Kept at"
        ]
        known, code = tree(), self.procedure().code
        for number in (self.number(), self.number()):
            where = known.path(self.unit("ward").pk)
            day = f"{self.day(60, 0):%d/%m/%Y}"
            rows.append(f"S{number:05},Ne Wer {number},Registered nurse,{where},{day},{code},{day},{day},,,,")
            rows.append(f"H{number:05},Hol Der {number},Registered nurse,{where},{day},,,,{code},{day},Letter,Office")
        rows = rows[: self.choose.randint(2, 5)]
        data = "\n".join(rows).encode()
        tables = staff_sheets.read_tables(read_workbook(data, name="staff.csv"))
        plan = staff_sheets.rehearse(actor=self.world.chief, tables=tables, file=sha256(data).hexdigest())
        if not plan.has_work:
            return False
        return staff_sheets.carry_out(signer=sign(self.world.chief, plan.digest), plan=plan)

    # --- decisions ---

    def enrol(self) -> None:
        enrolling.enrol(
            actor=self.world.chief, clinician=self.clinician(), procedure=self.procedure(), from_day=self.day(40, 10)
        )

    def end_enrolment(self) -> Any:
        row = self.one(Enrolment.objects.known().filter(until_day=None))
        if row is None:
            return False
        return enrolling.end_enrolment(
            actor=self.world.chief, enrolment=row, until_day=max(row.from_day, self.day(10, 10)), reason="It ended."
        )

    def record_completion(self) -> None:
        day = self.day(30, 0)
        new = NewCompletion(
            clinician=self.clinician(), procedure=self.procedure(), kind=self.one(Completion.Kind.values), on=day,
            verified_by="Ed Ucator", about="Cannulation policy, version 4",
            valid_until=self.one((None, day + timedelta(days=self.choose.randint(1, 90)))),
        )  # fmt: skip
        record_completion(actor=self.world.chief, new=new)

    def award(self) -> Any:
        """Of whoever learns; where nobody does, somebody is enrolled first."""
        learning = Enrolment.objects.known().filter(until_day=None)
        if not learning.exists():
            self.enrol()
        row = self.one(learning)
        if row is None:
            return False
        if self.one((True, True, False)):
            done = Completion.objects.known().filter(clinician=row.clinician, procedure=row.procedure, on=self.today)
            noted = set(done.values_list("kind", flat=True))
            for kind in sorted({Completion.Kind.KNOWLEDGE, Completion.Kind.SIMULATION} - noted):
                new = NewCompletion(
                    clinician=row.clinician, procedure=row.procedure, kind=kind, on=self.today, verified_by="Ed Ucator"
                )
                record_completion(actor=self.world.chief, new=new)
            self._practise(row.clinician, row.procedure, 2)
        check = awarding.check_award(row.clinician, row.procedure)
        return awarding.award(
            signer=sign(self.world.chief, check.digest),
            clinician=row.clinician,
            procedure=row.procedure,
            scope_unit=self.unit(),
        )

    def renew(self) -> Any:
        """Often at a time when it is open."""
        soon = self.today + timedelta(days=self.one((120, 330)))
        row = self.one(
            Award.objects.known().filter(until_day=None, expires_on__range=(self.today, soon)).exclude(terms="{}")
        )
        if row is None:
            return False
        near = datetime.combine(row.expires_on - timedelta(days=self.one((5, 20))), self.now.timetz())
        if self.one((True, True, False)):
            self.now = max(self.now, near)
        with clock.at(self.now):
            self._practise(row.clinician, row.procedure, self.one((0, 1)))
            check = awarding.check_renewal(row.clinician, row.procedure)
            signer = sign(self.world.chief, check.digest)
            return awarding.renew(signer=signer, clinician=row.clinician, procedure=row.procedure)

    def _practise(self, who: Clinician, procedure: Procedure, times: int) -> None:
        """Insertions at home, just now, signed by whoever of the supervisors may."""
        unit = Unit.objects.get(pk=enrolling.home_unit(who, self.today))
        guided = procedure.technique == "ultrasound"
        attempt = replace(WORKED, technique="ultrasound") if guided else WORKED
        for place in range(times):
            performed = self.now.astimezone(ZoneInfo(tree().zone(unit.pk))).replace(tzinfo=None, microsecond=0)
            entry = entry_of(
                who,
                unit,
                self.one([each for each in self.world.supervisors if each.pk != who.user_id]),
                uuid=UUID(int=self.choose.getrandbits(128), version=4),
                performed=performed - timedelta(minutes=20 * (place + 1)),
                attempts=(attempt,),
                technique=attempt.technique,
                fold=0,
            )
            made = logbook.record_insertion(actor=self.world.chief, entry=entry)
            countersigning.countersign(signer=sign(made.supervisor, made.digest), insertion=made, nearness="in_room")
        standings.refresh()

    def enter_founding(self) -> None:
        day = self.day(400, 0)
        new = founding.NewFounding(
            clinician=self.clinician(), procedure=self.procedure(), scope_unit=self.unit(), awarded_on=day,
            evidence_kind="Certificate", evidence_place="Personnel file",
        )  # fmt: skip
        founding.enter_founding(actor=self.world.chief, new=new)

    def decide_founding(self) -> Any:
        row = self.one(Founding.objects.filter(decided=None))
        if row is None:
            return False
        founding.decide_founding(
            signer=sign(self.world.deputy, founding.founding_digest(row)), claim=row,
            confirmed=self.one((True, True, False)),
        )  # fmt: skip
        return True

    def decide_scope(self) -> None:
        start = self.day(20, 10)
        who = self.one((self.clinician(), None))
        profession = "" if who else self.one((Profession.ANAESTHETIST, Profession.NURSE))
        new = NewScope(
            procedure=self.procedure(), unit=self.unit(), from_day=start,
            until_day=start + timedelta(days=self.choose.randint(1, 120)), basis="By appointment", clinician=who,
            profession=profession,
        )  # fmt: skip
        shown = awarding.scope_digest(new)
        awarding.decide_scope(signer=sign(self.world.chief, shown), new=new)

    def finish_scope(self) -> Any:
        row = self.one(ScopeByRole.objects.known())
        if row is None:
            return False
        shown = awarding.scope_digest(row)
        return awarding.finish_scope(
            signer=sign(self.world.chief, shown), scope=row, until_day=max(row.from_day, self.day(10, 20)), digest=shown
        )

    def propose(self) -> None:
        model = self.one((Rules, Programme, Checklist))
        content: dict[str, Any] = (
            replace(TERMS, insertions=self.choose.randint(1, 3), observations=self.one((0, 0, 1))).to_content()
            if model is Programme
            else {**STEPS, "ratings": ["Not yet", f"Steady, no. {self.number()}"]}
            if model is Checklist
            else rules_content(**self.one((
                {"repeated_failure": {"failures": 3}}, {"drift": {"unacceptable": "0.50", "run_length": 40}},
                {"recency": {"days": 40, "on": False}}, {"volume": {"insertions": 2, "days": 30}},
            )))
        )  # fmt: skip
        proposing.propose(
            model, actor=self.world.chief, unit=self.unit(), procedure=self.procedure(), name=f"No. {self.number()}",
            content=content, effective_on=self.day(5, 20),
        )  # fmt: skip

    def _waiting(self) -> Any:
        return self.one([
            row
            for model in (Rules, Programme, Checklist)
            for row in model.objects.known().filter(approved=None).order_by("pk")
        ])  # fmt: skip

    def approve(self) -> Any:
        row = self._waiting()
        if row is None:
            return False
        return proposing.approve(signer=sign(self.world.deputy, proposing.document_digest(row)), document=row)

    def take_back_document(self) -> Any:
        row = self._waiting()
        if row is None:
            return False
        return proposing.take_back(actor=self.world.chief, document=row)

    def review(self) -> None:
        review.review_today()

    def daily(self) -> None:
        review.daily()

    def refresh(self) -> None:
        standings.refresh(self.one((None, [self.clinician().pk])))

    def close_flag(self) -> Any:
        row = self.one(Flag.objects.filter(closed=None))
        if row is None:
            return False
        return flags.close_flag(
            signer=sign(self.world.chief, flags.flag_digest(row)), flag=row, outcome=self.one(flags.CLOSING),
            reason="Talked it over with the person.",
        )  # fmt: skip

    def reply(self) -> Any:
        row = self.one(Flag.objects.filter(closed=None))
        if row is None:
            return False
        return flags.reply(actor=row.clinician.user or self.world.chief, flag=row, text="All on the renal list.")


NOT_VERBS = {"step", "one", "clinician", "procedure", "unit", "day", "until", "number", "pairs"}
VERBS: tuple[str, ...] = tuple(
    name
    for name, value in {name: value for part in reversed(Walk.__mro__) for name, value in vars(part).items()}.items()
    if isinstance(value, Callable) and not name.startswith("_") and name not in NOT_VERBS  # type: ignore[arg-type]
)
