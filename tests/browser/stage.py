"""A ward in use: something on every page that a page can show, and a hospital next to it where nothing is there yet."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from audits import (
    corrections,
    countersigning,
    disputes,
    drafts,
    logbook,
    observation_replies,
    observing,
    second_raters,
)
from audits.awards import NewScope
from audits.completions import NewCompletion, record_completion, withdraw_completion
from audits.entry import AttemptMade, Difficulty
from audits.models import Checklist, Insertion, Observation, Procedure
from audits.tallies import NewTally, note_tally
from audits.versions import entry_of as said_in
from credentials import awarding, flags, founding, proposing, review, standings
from credentials.enrolling import enrol
from credentials.models import Flag, Programme, Rules
from credentials.rules.ruleset import default_content
from credentials.rules.terms import Terms
from ledger import clock
from ledger.canonical import canonical
from people import accounts
from people.absences import set_absence
from people.models import Clinician, Unit, User
from people.settings import set_setting
from tests.audits.conftest import FAILED, WORKED, entry_of, give_award
from tests.audits.observed import Watched, begun, rated_twice, signed, ticked
from tests.credentials.conftest import sign
from tests.factories import (
    ZONE,
    Cast,
    ChecklistFactory,
    PlacementFactory,
    ProcedureFactory,
    UserFactory,
    make_appointed,
    make_cast,
    make_clinician,
    make_unit,
)

LONG_NAME = "Wilhelmina-Rosalind Featherstonehaugh-Abercrombie"
TERMS = Terms(insertions=8)
MISSED = AttemptMade(site="wrist", gauge=22, result="failed", side="right", reason="no_entry")


@dataclass
class Ward:
    """The cast and what else there is. `entries` and `observations` are named by the state that they are in."""

    cast: Cast
    procedure: Procedure
    today: date
    second: User  # another educator of the department
    senior: User  # another supervisor
    rater: User  # another assessor, asked for second ratings
    far: User  # educator of a hospital where nothing is there yet
    due: Clinician
    ready: Clinician
    doctor: Clinician
    tallier: Clinician  # holds on a ward of shift tallies
    entries: dict[str, Insertion] = field(default_factory=dict)
    observations: dict[str, Observation] = field(default_factory=dict)

    def people(self) -> dict[str, User]:
        """Whoever looks at pages: name -> account."""
        return {**self.cast.users(), "second": self.second, "far": self.far, "rater": self.rater}

    def log(self, who: Clinician, ago: int, *, by: User | None = None, signed: bool = True, **said: Any) -> Insertion:
        """Somebody logs an insertion of so many days ago half an hour later; who supervised signs the hour after."""
        performed = datetime.combine(self.today - timedelta(days=ago), time(10, 15))
        moment = performed.replace(tzinfo=ZoneInfo(ZONE)).astimezone(UTC)
        with clock.at(moment + timedelta(minutes=30)):
            entry = entry_of(who, self.cast.wards.ward, by, performed=performed, **said)
            made = logbook.record_insertion(actor=who.user or self.second, entry=entry)
        if by and signed:
            with clock.at(moment + timedelta(hours=1)):
                confirmed = sign(by, made.digest, meaning="countersigned")
                countersigning.countersign(signer=confirmed, insertion=made, nearness="in_room")
        return made


def fill() -> Ward:
    """Everything, through the doors that users use where there is one. Needs a clock that is free to move."""
    today = clock.now().astimezone(ZoneInfo(ZONE)).date()
    with clock.at(clock.now() - timedelta(days=330)):
        ward = _people(today)
        _documents(ward, today)
    _learning(ward)
    _completed(ward)
    _holding(ward)
    _tallied(ward)
    _entries(ward)
    _waiting(ward)
    _watched(ward)
    review.review_today()
    _questions(ward)
    standings.refresh()
    return ward


def _people(today: date) -> Ward:
    cast = make_cast()
    procedure = ProcedureFactory()
    ProcedureFactory(code="adult-guided", name="Adult, guided", technique="ultrasound")
    wards = cast.wards
    senior = make_appointed("supervisor", wards.department, "Sen Ior")
    for user in (cast.supervisor, senior):
        holder = make_clinician(wards.ward, user.name, account=False)
        Clinician.objects.filter(pk=holder.pk).update(user=user)
        _award(holder, procedure, wards.department, today + timedelta(days=200))
    third = make_unit("hospital", "Spoonbill Cottage Hospital", wards.group)
    make_unit("ward", "Ward 1", third)
    ward = Ward(
        cast,
        procedure,
        today,
        second=make_appointed("educator", wards.department, "Seco Nd"),
        senior=senior,
        rater=make_appointed("assessor", wards.department, "Seco Rater"),
        far=make_appointed("educator", third, "Fa Raway"),
        due=make_clinician(wards.ward, LONG_NAME),
        ready=make_clinician(wards.ward, "Rea Dy"),
        doctor=make_clinician(wards.next_ward, "Doc Torrow", profession="doctor"),
        tallier=make_clinician(wards.next_ward, "Tal Lier"),
    )
    _award(ward.due, procedure, wards.hospital, today + timedelta(days=40))
    for name, ends in (("Gra Ce", -10), ("Lap Sed", -45)):
        _award(make_clinician(wards.ward, name, account=False), procedure, wards.ward, today + timedelta(days=ends))
    for name, kind in (("Agen Cy", "agency"), ("Stu Dent", "student"), ("Ban Ker", "bank")):
        visitor = make_clinician(wards.day_ward, name, account=False)
        PlacementFactory(clinician=visitor, unit=wards.ward, kind=kind, home=False)
    UserFactory(name="Not Yet Here", own_secret=False)
    return ward


def _award(who: Clinician, procedure: Procedure, unit: Unit, expires_on: date) -> None:
    begun = expires_on - timedelta(days=730)
    give_award(
        who, procedure, unit, terms=canonical(TERMS.to_content()), from_day=begun, anchor=begun, expires_on=expires_on
    )


def _documents(ward: Ward, today: date) -> None:
    department, start = ward.cast.wards.department, today - timedelta(days=365)
    for model, content in ((Programme, TERMS.to_content()), (Rules, default_content())):
        row = proposing.propose(
            model, actor=ward.cast.educator, unit=department, procedure=ward.procedure, name="Local", content=content,
            effective_on=start, note="The example, read through by both educators.",
        )  # fmt: skip
        proposing.approve(signer=sign(ward.second, proposing.document_digest(row)), document=row)
    set_setting(
        actor=ward.second, unit=department, name="start_day", value=start.isoformat(), about=ward.procedure.code,
        from_day=start,
    )  # fmt: skip


def _learning(ward: Ward) -> None:
    """One who learns, with entries still to come, and one who has all that an award asks."""
    supervisors = (ward.cast.supervisor, ward.senior)
    for who, first in ((ward.cast.owner, 60), (ward.ready, 100)):
        day = ward.today - timedelta(days=first + 5)
        with clock.at(datetime.combine(day, time(2), UTC)):
            enrol(actor=ward.second, clinician=who, procedure=ward.procedure, from_day=day)
            for kind in ("knowledge", "simulation"):
                done = NewCompletion(
                    clinician=who, procedure=ward.procedure, kind=kind, on=day, verified_by="Ed Ucator"
                )
                record_completion(actor=ward.second, new=done)
        for place in range(5 if who == ward.cast.owner else 8):
            attempts = (WORKED,) if place % 3 else (FAILED, WORKED)
            ward.log(who, first - place, by=supervisors[place % 2], attempts=attempts)


def _completed(ward: Ward) -> None:
    """More that the learner did: a test that was not passed, a policy, a session noted for the wrong person."""
    usual = {"clinician": ward.cast.owner, "procedure": ward.procedure, "verified_by": "Ed Ucator"}
    day = ward.today - timedelta(days=70)
    for said in (
        {"kind": "knowledge", "about": "Cannulation quiz, version 2", "result": "11 of 20", "passed": False},
        {"kind": "policy", "about": "Peripheral intravenous cannulation, version 4.1"},
        {"kind": "theory", "about": "Veins and where they lie", "valid_until": day + timedelta(days=730)},
    ):
        made = record_completion(actor=ward.second, new=NewCompletion(**usual, on=day, **said))
    withdraw_completion(actor=ward.second, completion=made, reason="It was another person's attendance sheet.")


def _holding(ward: Ward) -> None:
    """One whose award ends soon, with enough insertions for a rate, a target and a drift that crosses its limit."""
    for place in range(26):
        attempts = (MISSED, WORKED) if place % 5 == 1 or place > 20 else (WORKED,)
        ward.log(ward.due, 120 - 4 * place, attempts=attempts)


def _tallied(ward: Ward) -> None:
    """Two shift tallies, one of them on behalf."""
    unit, who, first = ward.cast.wards.next_ward, ward.tallier, ward.today - timedelta(days=300)
    _award(who, ward.procedure, ward.cast.wards.hospital, ward.today + timedelta(days=300))
    set_setting(actor=ward.second, unit=unit, name="logging_basis", value="tally", from_day=first)
    for actor, ago in ((who.user, 0), (ward.second, 4)):
        day = ward.today - timedelta(days=ago)
        note_tally(actor=actor, new=NewTally(clinician=who, procedure=ward.procedure, unit=unit, on=day, insertions=3))


def _entries(ward: Ward) -> None:
    """The learner's last days: an entry in every state that an entry can be in."""
    owner, supervisor, found = ward.cast.owner, ward.cast.supervisor, ward.entries
    found["signed"] = ward.log(owner, 9, by=supervisor)
    found["sent_back"] = ward.log(owner, 8, by=supervisor, signed=False)
    found["not_me"] = ward.log(owner, 7, by=supervisor, signed=False)
    found["disputed"] = ward.log(owner, 6, by=ward.senior)
    found["to_correct"] = ward.log(owner, 5, by=supervisor)
    found["to_withdraw"] = ward.log(owner, 4, by=supervisor, signed=False)
    found["emergency"] = ward.log(owner, 3, emergency=True, attempts=(MISSED, MISSED, FAILED))
    found["serious"] = ward.log(
        owner, 3, by=supervisor, signed=False, events=("needlestick",),
        attempts=(MISSED, replace(FAILED, result="taken_over")), help_called="senior",
        difficulty=Difficulty(scale="adult_five", score=4, scored="before"),
        comment="Dry and cold; warmed the arm. The second was taken over at once.",
    )  # fmt: skip
    found["no_attempt"] = ward.log(owner, 2, by=supervisor, signed=False, attempts=(), not_attempted="no_vein")
    found["awaiting"] = ward.log(owner, 1, by=supervisor, signed=False)
    found["old"] = ward.log(ward.cast.colleague, 33, by=ward.senior, signed=False)
    back = sign(supervisor, found["sent_back"].digest, meaning="sent back")
    countersigning.send_back(signer=back, insertion=found["sent_back"], note="It was the left arm, I think.")
    other = sign(supervisor, found["not_me"].digest, meaning="not me")
    countersigning.not_me(signer=other, insertion=found["not_me"], note="Ask Sen Ior.")
    disputes.open_dispute(
        actor=ward.senior, insertion=found["disputed"], about="statement", reason="I signed the wrong line."
    )
    changed = replace(said_in(found["to_correct"]), attempts=(FAILED, WORKED))
    corrections.correct(actor=owner.user, insertion=found["to_correct"], entry=changed, reason="Two, not one.")
    corrections.propose_withdrawal(actor=owner.user, insertion=found["to_withdraw"], reason="Logged twice.")
    mended = replace(said_in(found["awaiting"]), comment="Right-handed patient, so the left arm.")
    found["awaiting"] = corrections.correct(
        actor=owner.user, insertion=found["awaiting"], entry=mended, reason="A word more."
    )
    drafts.save_draft(user=owner.user, uuid=UUID(int=7), content={"band": "adult"})


def _waiting(ward: Ward) -> None:
    """What waits for a second person, and what is dated."""
    wards, today = ward.cast.wards, ward.today
    for name in ("Old Hand", "Another Hand"):
        claim = founding.NewFounding(
            clinician=make_clinician(wards.ward, name), procedure=ward.procedure, scope_unit=wards.department,
            awarded_on=today - timedelta(days=400), evidence_kind="Certificate", evidence_place="Education office",
        )  # fmt: skip
        founding.enter_founding(actor=ward.second, new=claim)
    for model, content in ((Programme, Terms().to_content()), (Rules, default_content())):
        proposing.propose(
            model, actor=ward.second, unit=wards.department, procedure=ward.procedure, name="Stricter",
            content=content, effective_on=today + timedelta(days=7), note="Ten instead of six.",
        )  # fmt: skip
    scope = NewScope(
        procedure=ward.procedure, unit=wards.next_ward, from_day=today, until_day=today + timedelta(days=360),
        basis="By appointment as registrar.", clinician=ward.doctor,
    )  # fmt: skip
    awarding.decide_scope(signer=sign(ward.second, awarding.scope_digest(scope)), new=scope)
    away = make_clinician(wards.ward, "Away Till Then")
    set_absence(
        actor=ward.second, clinician=away, from_day=today - timedelta(days=20), until_day=today + timedelta(days=30)
    )
    accounts.end_account(actor=ward.cast.administrator, user=away.user)


def _watched(ward: Ward) -> None:
    """Practice watched: open with some ticks, unread, read, stopped, disputed, one rated twice and one to be."""
    cast, found = ward.cast, ward.observations
    raters = (cast.assessor, ward.rater)
    for user in raters:
        holder = make_clinician(cast.wards.ward, user.name, account=False)
        Clinician.objects.filter(pk=holder.pk).update(user=user)
        _award(holder, ward.procedure, cast.wards.department, ward.today + timedelta(days=300))
    ChecklistFactory(procedure=ward.procedure, unit=cast.wards.hospital)
    stage = Watched(cast, ward.procedure, Checklist.objects.get(), cast.wards.ward, cast.owner, *raters)
    not_yet = {"met": False, "feedback": "Sure hands. Let the needle go first, then the gloves.\nTalk while you work."}
    found["unread"] = signed(stage, said=not_yet, sharps="prompted")
    found["learning"] = signed(stage, begin={"purpose": "learning", "setting": "simulation"}, hair="not_applicable")
    found["stopped"] = signed(stage, said={"stopped": True}, flush="not_reached", sharps="met")
    found["disputed"] = signed(stage)
    observation_replies.acknowledge(actor=cast.owner.user, observation=found["learning"], text="Thank you.")
    observation_replies.reply(actor=cast.assessor, observation=found["learning"], text="Well done.")
    observation_replies.dispute(actor=cast.owner.user, observation=found["disputed"], reason="It was no prompt.")
    found["twice"] = signed(replace(stage, learner=ward.ready))
    found["second"] = rated_twice(
        replace(stage, learner=ward.ready), found["twice"], hair="did_not_arise", said={"feedback": ""}
    )
    found["asked"] = signed(stage, begin={"clinician": ward.due})
    second_raters.ask(actor=cast.assessor, observation=found["asked"], whom=raters[1])
    found["ready"] = ticked(begun(stage, clinician=ward.ready))
    found["open"] = begun(stage)
    ticks = {"hands": {"mark": "met"}, "sharps": {"mark": "prompted", "note": "After I pointed at the container."}}
    observing.save(user=cast.assessor, observation=found["open"], changes={"marks": ticks})


def _questions(ward: Ward) -> None:
    """One question answered by the person, one closed."""
    raised: Sequence[Flag] = list(Flag.objects.order_by("pk"))
    own = next(each for each in raised if each.rule == "serious_event")
    flags.reply(actor=ward.cast.owner.user, flag=own, text="The safety catch was not clicked in.")
    done = next(each for each in raised if each.rule == "attempts_limit")
    closing = sign(ward.second, flags.flag_digest(done), meaning=flags.MEANING)
    flags.close_flag(signer=closing, flag=done, outcome="talked", reason="Looked at together: all on one bad week.")
