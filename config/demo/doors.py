"""What people of the invented group do, each by the door that a user takes. People by staff number or e-mail."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from uuid import UUID, uuid5

from audits import completions, corrections, countersigning, disputes, observation_replies, observing, second_raters
from audits.awards import NewScope
from audits.entry import AttemptMade, Difficulty, Entry
from audits.logbook import record_insertion
from audits.models import Insertion as Version
from audits.models import Observation, Procedure, Proposal
from audits.versions import entry_of
from config.demo import leads
from config.demo.groundplan import hospital
from config.demo.plan import Certificate, Insertion, Member
from credentials import awarding, enrolling, flags, founding
from credentials.models import Flag, Founding
from people import absences, accounts, appointing, signing, staffing
from people.access import access_of
from people.clock import now
from people.models import Appointment, Clinician, Placement, Unit, User
from people.problems import Problems

BANDS = {"ADULT": "adult", "ADULT-US": "adult", "CHILD": "child", "INFANT": "infant", "NEONATE": "neonate"}
WAITS_DAYS = 2  # from an entry to the supervisor's next round


class Doors:
    """The register with everybody in it. `later` puts something on the agenda: a delay from now, and what to do."""

    def __init__(self, later: Callable[[timedelta, Callable[[], None]], None]) -> None:
        self.later = later
        self.users: dict[str, User] = {}
        self.clinicians: dict[str, Clinician] = {}
        self.units: dict[str, Unit] = {}
        self.procedures: dict[str, Procedure] = {}
        self.waiting: dict[str, list[tuple[Version, str, str]]] = {}
        self.logged = 0

    # --- who acts ---

    @property
    def first(self) -> User:
        return self.users[leads.FIRST.email]

    def educator(self, unit: str) -> User:
        return self.users[leads.educator_of(hospital(unit))]

    def manager(self, unit: str) -> User:
        return self.users[leads.manager_of(hospital(unit))]

    def home(self, who: str) -> str:
        """The key of the home unit now."""
        row = Placement.objects.known().filter(clinician=self.clinicians[who], home=True).order_by("-from_day").first()
        assert row is not None
        return next(key for key, unit in self.units.items() if unit.pk == row.unit_id)

    def confirm(self, user: User, meaning: str, digests: Sequence[str]) -> signing.Confirmed:
        return signing.confirm(user=user, secret=leads.SECRET, meaning=meaning, digests=digests)

    # --- people ---

    def admit(self, user: User) -> User:
        """Invited, and the invitation accepted with the demo's secret."""
        return accounts.accept(token=accounts.invite(actor=self.first, user=user), secret=leads.SECRET)

    def open_account(self, email: str, name: str, *, key: str, profession: str = "other", registration: str = "",
                     clinician: Clinician | None = None) -> None:  # fmt: skip
        opened = accounts.open_account(
            actor=self.first, email=email, name=name, profession=profession, registration=registration,
            clinician=clinician,
        )  # fmt: skip
        self.users[key] = self.admit(opened)

    def open_member(self, member: Member, *, until: date | None) -> None:
        newcomer = staffing.Newcomer(name=member.name, profession=member.profession, staff_number=member.number)
        self.clinicians[member.number] = staffing.open_clinician(
            actor=self.manager(member.unit), newcomer=newcomer, unit=self.units[member.unit], kind=member.kind,
            from_day=member.joined, until_day=until,
        )  # fmt: skip

    def appoint(self, who: str, role: str, unit: str, day: date) -> None:
        appointing.appoint(actor=self.first, user=self.users[who], role=role, unit=self.units[unit], from_day=day)

    def end_appointment(self, who: str, role: str, unit: str, until: date) -> None:
        row = Appointment.objects.known().get(user=self.users[who], role=role, unit=self.units[unit])
        appointing.end_appointment(actor=self.first, appointment=row, until_day=until)

    def leave(self, who: str, day: date) -> None:
        row = Placement.objects.known().get(clinician=self.clinicians[who], until_day=None)
        staffing.end_placement(actor=self.manager(self.home(who)), placement=row, until_day=day)

    def move(self, who: str, unit: str, *, kind: str = "employed", stay: bool = False) -> None:
        staffing.move(
            actor=self.first, clinician=self.clinicians[who], unit=self.units[unit], kind=kind, from_day=self.today,
            stay=stay,
        )  # fmt: skip

    def absent(self, who: str, first: date, until: date) -> None:
        actor = self.manager(self.home(who))
        absences.set_absence(actor=actor, clinician=self.clinicians[who], from_day=first, until_day=until)

    @property
    def today(self) -> date:
        return access_of(self.first).on

    # --- credentials ---

    def found(self, claims: Sequence[Certificate]) -> None:
        """Entered by the manager, confirmed by the educator of the hospital, ten with one secret."""
        made = [self.claim(each) for each in claims]
        by_signer: dict[User, list[Founding]] = {}
        for claim, row in zip(claims, made, strict=True):
            by_signer.setdefault(self.educator(claim.scope), []).append(row)
        for signer, rows in by_signer.items():
            for start in range(0, len(rows), 10):
                part = rows[start : start + 10]
                confirmed = self.confirm(signer, founding.MEANING, [founding.founding_digest(row) for row in part])
                for row in part:
                    founding.decide_founding(signer=confirmed, claim=row, confirmed=True)

    def claim(self, certificate: Certificate) -> Founding:
        return founding.enter_founding(
            actor=self.manager(certificate.scope),
            new=founding.NewFounding(
                clinician=self.clinicians[certificate.who],
                procedure=self.procedures[certificate.procedure],
                scope_unit=self.units[certificate.scope],
                awarded_on=certificate.awarded_on,
                expires_on=certificate.expires_on,
                evidence_kind="certificate",
                evidence_place="training folder of the unit",
            ),
        )

    def enrol(self, who: str, procedure: str) -> None:
        enrolling.enrol(
            actor=self.educator(self.home(who)),
            clinician=self.clinicians[who],
            procedure=self.procedures[procedure],
            from_day=self.today,
        )

    def complete(self, who: str, procedure: str, kind: str, on: date) -> None:
        educator = self.educator(self.home(who))
        new = completions.NewCompletion(
            clinician=self.clinicians[who], procedure=self.procedures[procedure], kind=kind, on=on,
            verified_by=educator.name,
        )  # fmt: skip
        completions.record_completion(actor=educator, new=new)

    def award(self, who: str, procedure: str) -> None:
        clinician, about, home = self.clinicians[who], self.procedures[procedure], self.home(who)
        check = awarding.check_award(clinician, about)
        signer = self.confirm(self.educator(home), awarding.AWARDED, [check.digest])
        awarding.award(signer=signer, clinician=clinician, procedure=about, scope_unit=self.units[hospital(home)])

    def renew(self, who: str, procedure: str, *, again_after: timedelta) -> None:
        """Renew; where the terms are not met yet, try again once the next sheet is in."""
        clinician, about = self.clinicians[who], self.procedures[procedure]
        try:
            check = awarding.check_renewal(clinician, about)
            if not check.is_met:
                self.later(again_after, lambda: self.renew(who, procedure, again_after=again_after))
                return
        except Problems:
            return  # lapsed meanwhile
        signer = self.confirm(self.educator(self.home(who)), awarding.RENEWED, [check.digest])
        awarding.renew(signer=signer, clinician=clinician, procedure=about)

    def scope(self, unit: str, until: date, basis: str, *, who: str = "", profession: str = "") -> None:
        new = NewScope(
            procedure=self.procedures["ADULT"],
            unit=self.units[unit],
            from_day=self.today,
            until_day=until,
            basis=basis,
            clinician=self.clinicians[who] if who else None,
            profession=profession,
        )
        signer = self.confirm(self.educator(unit), awarding.SCOPED, [awarding.scope_digest(new)])
        awarding.decide_scope(signer=signer, new=new)

    def reply(self, who: str, procedure: str, rule: str, text: str) -> None:
        flags.reply(actor=self.users[who], flag=self._flag(who, procedure, rule), text=text)

    def close(self, who: str, procedure: str, rule: str, outcome: str, reason: str) -> None:
        flag = self._flag(who, procedure, rule)
        signer = self.confirm(self.educator(self.home(who)), flags.MEANING, [flags.flag_digest(flag)])
        flags.close_flag(signer=signer, flag=flag, outcome=outcome, reason=reason)

    def work_through(self, said: Mapping[str, tuple[str, str]], *, but: Collection[str], leave: int) -> None:
        """Close what these rules ask of everybody else, oldest first; the last few are left."""
        rows = Flag.objects.filter(closed=None, rule__in=said).exclude(clinician__staff_number__in=but).order_by("pk")
        for flag in list(rows.select_related("clinician", "procedure"))[: -leave or None]:
            outcome, reason = said[flag.rule]
            signer = self.confirm(
                self.educator(self.home(flag.clinician.staff_number)), flags.MEANING, [flags.flag_digest(flag)]
            )
            flags.close_flag(signer=signer, flag=flag, outcome=outcome, reason=reason)

    def _flag(self, who: str, procedure: str, rule: str) -> Flag:
        about = {"clinician": self.clinicians[who], "procedure": self.procedures[procedure], "rule": rule}
        return Flag.objects.select_related("clinician", "procedure").get(closed=None, **about)

    # --- insertions ---

    def log(self, planned: Insertion) -> None:
        """Logged by who inserted; the named supervisor answers in the next round."""
        self.logged += 1
        stored = record_insertion(actor=self.users[planned.who], entry=self.entry(planned))
        if planned.answer:
            if not self.waiting.get(planned.supervisor):
                self.later(timedelta(days=WAITS_DAYS), lambda: self.answer(planned.supervisor))
            self.waiting.setdefault(planned.supervisor, []).append((stored, planned.answer, planned.note))

    def entry(self, planned: Insertion) -> Entry:
        joined = Version.objects.known().get(uuid=planned.joins).occasion if planned.joins else ""
        guided = planned.procedure.endswith("-US")
        return Entry(
            uuid=planned.uuid,
            clinician=self.clinicians[planned.who].uuid,
            unit=self.units[planned.unit].uuid,
            band=BANDS[planned.procedure],
            performed=planned.at,
            events=planned.events,
            attempts=planned.attempts,
            technique="ultrasound" if guided else "landmark",
            supervisor=self.users[planned.supervisor].uuid if planned.supervisor else None,
            nearness=planned.nearness,
            emergency=planned.emergency,
            occasion=joined,
            others_before=planned.others_before,
            difficulty=Difficulty(scale="judged", score=1, scored=planned.difficult) if planned.difficult else None,
            help_called=planned.help_called,
            comment=planned.comment,
        )

    def answer(self, supervisor: str) -> None:
        """A supervisor's round: all that waits, ten with one secret."""
        waits, self.waiting[supervisor] = self.waiting[supervisor], []
        for start in range(0, len(waits), countersigning.MOST_AT_ONCE):
            part = waits[start : start + countersigning.MOST_AT_ONCE]
            confirmed = self.confirm(self.users[supervisor], "answers to entries", [each.digest for each, _, _ in part])
            answers = [countersigning.Answer(each.pk, kind, note) for each, kind, note in part]
            for done in countersigning.answer_many(signer=confirmed, answers=answers):
                if done.statement is None:
                    raise RuntimeError(f"{supervisor} could not answer on {now().date()}: {done.problem}")

    def withdraw(self, uuid: UUID, reason: str) -> None:
        version = self.version(uuid)
        corrections.propose_withdrawal(actor=self._inserter(version), insertion=version, reason=reason)

    def correct_to_failed(self, uuid: UUID, reason: str) -> None:
        """It was said to have worked first time; a second puncture had been needed."""
        version = self.version(uuid)
        said = entry_of(version)
        failed: AttemptMade = replace(said.attempts[0], result="failed", reason="through")
        entry = replace(said, attempts=(failed, said.attempts[0]))
        corrections.correct(actor=self._inserter(version), insertion=version, entry=entry, reason=reason)

    def agree(self, uuid: UUID) -> None:
        proposal = Proposal.objects.known().select_related("insertion").get(insertion__uuid=uuid)
        by = proposal.insertion.supervisor
        assert by is not None
        signer = self.confirm(by, corrections.MEANING[True], [corrections.digest_of_proposal(proposal)])
        corrections.decide(signer=signer, proposal=proposal, agree=True)

    def dispute(self, uuid: UUID, about: str, reason: str) -> None:
        version = self.version(uuid)
        disputes.open_dispute(actor=self._inserter(version), insertion=version, about=about, reason=reason)

    # --- observed practice ---

    def observe(self, who: str, by: str, *, purpose: str, setting: str, marks: Mapping[str, str], stopped: bool,
                feedback: str, second: str = "") -> None:  # fmt: skip
        """Begun, ticked and signed by one assessor; `second` is then asked to score the same practice."""
        made = observing.begin(
            actor=self.users[by], uuid=self.uuid(who, by), clinician=self.clinicians[who],
            procedure=self.procedures["ADULT"], unit=self.units[self.home(who)], purpose=purpose, setting=setting,
        )  # fmt: skip
        self._sign(made, marks, stopped=stopped, feedback=feedback)
        if second:
            second_raters.ask(actor=self.users[by], observation=made, whom=self.users[second])

    def rate_second(self, who: str, by: str, marks: Mapping[str, str]) -> None:
        first = self.observed(who)
        made = observing.begin(
            actor=self.users[by], uuid=self.uuid(who, by), clinician=first.clinician, procedure=first.procedure,
            unit=first.unit, purpose=first.purpose, setting=first.setting, second_of=first,
        )  # fmt: skip
        self._sign(made, marks, stopped=bool(first.stopped), feedback="Scored beside my colleague.")

    def acknowledge(self, who: str) -> None:
        observation_replies.acknowledge(actor=self.users[who], observation=self.observed(who))

    def dispute_observation(self, who: str, reason: str) -> None:
        observation_replies.dispute(actor=self.users[who], observation=self.observed(who), reason=reason)

    def _sign(self, made: Observation, marks: Mapping[str, str], *, stopped: bool, feedback: str) -> None:
        said = {
            "marks": {key: {"mark": mark} for key, mark in marks.items()},
            "stopped": stopped,
            "rating": 3,
            "given": "in_room",
            "recommended": "nearby",
            "met": None,
            "feedback": feedback,
        }
        observing.save(user=made.assessor, observation=made, changes=said)
        if made.purpose == "decision":
            may_be_met = observing.check(made).best != "not_yet"
            changes = {"met": may_be_met, "rating": 3 if may_be_met else 2}
            observing.save(user=made.assessor, observation=made, changes=changes)
        confirmed = self.confirm(made.assessor, observing.MEANING[made.purpose], [observing.check(made).digest])
        observing.sign(signer=confirmed, observation=made)

    def observed(self, who: str) -> Observation:
        rows = Observation.objects.known().filter(clinician=self.clinicians[who], second_of=None)
        return rows.select_related("clinician__user", "procedure", "unit", "checklist").latest("observed_at")

    def uuid(self, who: str, by: str) -> UUID:
        """The same for the same practice, so that a register filled again is the same."""
        return uuid5(self.units[self.home(who)].uuid, f"{who} {by} {now().isoformat()}")

    def version(self, uuid: UUID) -> Version:
        return Version.objects.known().select_related("clinician__user", "procedure", "supervisor").get(uuid=uuid)

    def _inserter(self, version: Version) -> User:
        user: User | None = version.clinician.user
        assert user is not None
        return user
