"""Disagreements to their end: both sides' statements and the decision; changes refused and taken back; credit decided.

Entries of one learner and observations of her, each disputed in another way, and the countersignatures of somebody who
was no supervisor any more, decided in two batches. Other stories leave one of each undecided.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from uuid import UUID

from audits import (
    corrections,
    countersigning,
    disputes,
    observation_replies,
    observing,
    reconsidering,
    ruling,
    second_raters,
)
from audits.models import Dispute, ObservationDispute, Proposal, Reconsidered, Ruling, Statement
from audits.versions import entry_of
from config.demo import attempts
from config.demo.doors import Doors
from config.demo.plan import Plan
from config.demo.stories import STORIES
from config.demo.telling_learning import enrols
from config.demo.telling_observed import all_met
from people.access import access_of
from people.models import User

About, Decided = Dispute.About, Reconsidered.Outcome
AnyDispute = Dispute | ObservationDispute
Who = Callable[[Doors], User]
BY, SECOND = STORIES["asked_supervisor"].number, STORIES["joined"].number  # who observes, who is asked to as well


def tell(plan: Plan) -> None:
    story = STORIES["disagreed"]
    begun = plan.ago(76)
    who = plan.member(story.unit, number=story.number, name=story.name, opened=begun - timedelta(days=5))
    enrols(plan, who, "ADULT", begun)
    entries = _Entries(plan, who, plan.supervisors[story.unit][0])
    _stands(entries)
    _mended(entries)
    _struck_statement(entries)
    _struck_entry(entries)
    _taken_back(entries)
    _changes(entries)
    _observed(plan, who)
    _reconsidered(plan)


@dataclass(frozen=True)
class _Entries:
    """The learner's supervised entries, one for each way to disagree."""

    plan: Plan
    who: str
    by: str

    def logged(self, days: int, *, works: bool = True, answer: str = "in_room", nearness: str = "in_room") -> UUID:
        rng = self.plan.rng(self.who, str(days))
        at = datetime.combine(self.plan.ago(days), time(9 + days % 7, int(rng.integers(0, 60))))
        punctures = attempts.made(rng, "ADULT", works=works, punctures=1)
        made = self.plan.supervised(
            rng, self.who, at, punctures, supervisor=self.by, answer=answer, nearness=nearness
        )  # fmt: skip
        assert made is not None
        return made.uuid

    def mine(self, doors: Doors) -> User:
        return doors.users[self.who]

    def theirs(self, doors: Doors) -> User:
        return doors.users[self.by]

    def educator(self, doors: Doors) -> User:
        return doors.educator(doors.home(self.who))

    def dispute(self, days: int, user: Who, entry: UUID, about: str, reason: str) -> None:
        def act(doors: Doors) -> None:
            disputes.open_dispute(actor=user(doors), insertion=doors.version(entry), about=about, reason=reason)

        self.plan.turn(self.plan.ago(days), act)

    def say(self, days: int, user: Who, entry: UUID, text: str) -> None:
        self.plan.turn(
            self.plan.ago(days), lambda doors: ruling.answer(actor=user(doors), dispute=_open(entry), text=text)
        )

    def decide(self, days: int, user: Who, entry: UUID, outcome: Ruling.Outcome, reason: str) -> None:
        self.plan.turn(self.plan.ago(days), lambda doors: _rule(doors, user(doors), _open(entry), outcome, reason))


# --- entries ---


def _stands(told: _Entries) -> None:
    entry = told.logged(66, works=False)
    told.dispute(62, told.mine, entry, About.RESULT, "It dripped well before the dressing came off.")
    told.say(61, told.theirs, entry, "I flushed it: the arm swelled, and we took it out at once.")
    told.say(60, told.mine, entry, "I had gone for the dressing and saw no swelling.")
    why = "Both saw a part of it. Whoever flushed saw it fail, and the chart has a second cannula ten minutes later."
    told.decide(58, told.educator, entry, Ruling.Outcome.STANDS, why)


def _mended(told: _Entries) -> None:
    """The learner proposes what she says it was; the educator decides that it was so. It waits to be signed anew."""
    entry = told.logged(64)
    told.dispute(57, told.mine, entry, About.RESULT, "I ticked that it worked first time. It took a second puncture.")
    proposed = "The first went through; the second worked."
    told.plan.turn(told.plan.ago(57), lambda doors: doors.correct_to_failed(entry, proposed), time(12, 50))
    told.say(56, told.theirs, entry, "I came in for the second and signed what was on the screen.")
    told.decide(54, told.educator, entry, Ruling.Outcome.MENDED, "Both say so: two punctures, the second working.")


def _struck_statement(told: _Entries) -> None:
    """The supervisor takes a signature for a mistake; then the educator accepts the entry on other evidence."""
    entry = told.logged(63)
    told.dispute(52, told.theirs, entry, About.STATEMENT, "I signed the wrong line: I stood beside her colleague.")
    told.say(51, told.mine, entry, "The charge nurse stood beside me that morning, not you. I named the wrong person.")
    told.decide(49, told.educator, entry, Ruling.Outcome.STRUCK, "Nobody signs for what they did not see.")
    note = "Written statement of the charge nurse who watched, kept in the education office."

    def accept(doors: Doors) -> None:
        user, row = told.educator(doors), doors.version(entry)
        signer = doors.confirm(user, countersigning.MEANING[Statement.Kind.OTHER_EVIDENCE], [row.digest])
        countersigning.accept_on_other_evidence(signer=signer, insertion=row, note=note)

    told.plan.turn(told.plan.ago(46), accept)


def _struck_entry(told: _Entries) -> None:
    """Opened by the hospital's educator, who is a side of it then: decided one level up."""
    entry = told.logged(59)
    told.dispute(45, told.educator, entry, About.WHO, "The roster has her on a study day; who inserted this?")
    told.say(44, told.mine, entry, "A colleague did, on my log: I was signed in on the tablet from the day before.")
    told.decide(
        43, lambda doors: doors.first, entry, Ruling.Outcome.STRUCK, "Not hers by her own word; logged anew by who did."
    )


def _taken_back(told: _Entries) -> None:
    entry = told.logged(55, works=False)
    told.dispute(42, told.mine, entry, About.RESULT, "I remember this one as working.")

    def take_back(doors: Doors) -> None:
        disputes.take_back(actor=told.mine(doors), dispute=_open(entry))

    told.plan.turn(told.plan.ago(41), take_back)


def _changes(told: _Entries) -> None:
    """A withdrawal taken back, a correction refused, and a comment mended at once before anybody signed."""
    kept, refused, fresh = told.logged(53), told.logged(48), told.logged(38, answer="", nearness="nearby")
    plan = told.plan

    def take_back(doors: Doors) -> None:
        proposal = Proposal.objects.known().select_related("insertion").get(insertion__uuid=kept)
        corrections.take_back(actor=told.mine(doors), proposal=proposal)

    def refuse(doors: Doors) -> None:
        proposal = Proposal.objects.known().select_related("insertion").get(insertion__uuid=refused)
        digest = corrections.digest_of_proposal(proposal)
        signer = doors.confirm(told.theirs(doors), corrections.MEANING[False], [digest])
        corrections.decide(signer=signer, proposal=proposal, agree=False)

    def mend(doors: Doors) -> None:
        row = doors.version(fresh)
        entry = replace(entry_of(row), comment="Vein in the forearm, found by touch.")
        reason = "The comment was that of another entry."
        corrections.correct(actor=told.mine(doors), insertion=row, entry=entry, reason=reason)

    def sign(doors: Doors) -> None:
        row = doors.version(fresh)
        signer = doors.confirm(told.theirs(doors), countersigning.MEANING[Statement.Kind.NEARBY], [row.digest])
        countersigning.countersign(signer=signer, insertion=row, nearness="nearby")

    plan.turn(plan.ago(40), lambda doors: doors.withdraw(kept, "Logged twice, I thought."))
    plan.turn(plan.ago(39), take_back)
    plan.turn(plan.ago(40), lambda doors: doors.correct_to_failed(refused, "I am not sure any more."), time(12, 45))
    plan.turn(plan.ago(37), refuse, time(15, 5))
    plan.turn(plan.ago(37), mend)
    plan.turn(plan.ago(36), sign)


# --- observations ---


def _observed(plan: Plan, who: str) -> None:
    """One stands, one is struck out, one dispute is taken back; one begun is given up, one asked for is declined."""
    rng = plan.rng(who, "observed")
    missed, met = {**all_met(rng), "release": "prompted"}, all_met(rng)
    learner: Who = lambda doors: doors.users[who]  # noqa: E731
    assessor: Who = lambda doors: doors.users[BY]  # noqa: E731

    def watch(days: int, marks: dict[str, str], second: str = "") -> None:
        def act(doors: Doors) -> None:
            doors.observe(who, BY, purpose="decision", setting="patient", marks=marks, stopped=False,
                          feedback="Quiet hands, and a good word throughout.", second=second)  # fmt: skip

        plan.turn(plan.ago(days), act, time(10, 15))

    def dispute(days: int, user: Who, reason: str) -> None:
        def act(doors: Doors) -> None:
            observation_replies.dispute(actor=user(doors), observation=doors.observed(who), reason=reason)

        plan.turn(plan.ago(days), act, time(18, 10))

    def say(days: int, user: Who, text: str) -> None:
        def act(doors: Doors) -> None:
            ruling.answer(actor=user(doors), dispute=_open_observed(doors, who), text=text)

        plan.turn(plan.ago(days), act)

    def decide(days: int, outcome: Ruling.Outcome, reason: str) -> None:
        def act(doors: Doors) -> None:
            _rule(doors, doors.educator(doors.home(who)), _open_observed(doors, who), outcome, reason)

        plan.turn(plan.ago(days), act)

    watch(35, missed)
    dispute(35, learner, "I was about to release it when you spoke.")
    say(34, assessor, "The cannula was in and flushed when I spoke; that is what the step asks about.")
    decide(33, Ruling.Outcome.STANDS, "A prompt was given, and both say so. It is a small thing, and well described.")
    watch(32, met, second=SECOND)
    plan.turn(plan.ago(32), lambda doors: _decline(doors, who), time(13, 40))
    dispute(31, learner, "The date is wrong.")
    plan.turn(plan.ago(30), lambda doors: _take_back_observed(doors, who))
    reply = "The date was right after all. Thank you for the hint about the angle."
    plan.turn(plan.ago(30), lambda doors: _reply(doors, who, reply), time(12, 40))
    watch(26, met)
    dispute(25, assessor, "I ticked this for another learner of that morning.")
    say(24, learner, "I wondered: I was in theatre with the team by then.")
    decide(23, Ruling.Outcome.STRUCK, "Another person was watched: it counts for nobody.")
    plan.turn(plan.ago(22), lambda doors: _given_up(doors, who), time(10, 15))


def _decline(doors: Doors, who: str) -> None:
    second_raters.decline(actor=doors.users[SECOND], observation=doors.observed(who))


def _take_back_observed(doors: Doors, who: str) -> None:
    observation_replies.take_back(actor=doors.users[who], observation=doors.observed(who))


def _reply(doors: Doors, who: str, text: str) -> None:
    observation_replies.reply(actor=doors.users[who], observation=doors.observed(who), text=text)


def _given_up(doors: Doors, who: str) -> None:
    by, unit = doors.users[BY], doors.units[doors.home(who)]
    made = observing.begin(
        actor=by, uuid=doors.uuid(who, BY), clinician=doors.clinicians[who], procedure=doors.procedures["ADULT"],
        unit=unit, purpose="learning", setting="patient",
    )  # fmt: skip
    observing.drop(actor=by, observation=made, reason="The patient was called away to imaging before we began.")


# --- countersignatures in question ---


def _reconsidered(plan: Plan) -> None:
    """Signed by the same former supervisor as the record in question next to it: three count, two do not."""
    story, by = STORIES["reconsidered"], STORIES["ineligible"].number
    begun = plan.ago(58)
    who = plan.member(story.unit, number=story.number, name=story.name, opened=begun - timedelta(days=5))
    enrols(plan, who, "ADULT", begun)
    rng = plan.rng(story.number)
    for place, days in enumerate((44, 39, 33, 28, 24)):
        at = datetime.combine(_weekday(plan.ago(days)), time(9 + place, 35))
        plan.supervised(rng, who, at, attempts.made(rng, "ADULT", works=place > 1), supervisor=by)
    counts = "She stood beside and holds an award; the end of her appointment was written down late."
    struck = "In these two weeks she was on leave by the roster: nobody can have stood beside."
    plan.turn(plan.ago(6), lambda doors: _reconsider(doors, who, slice(0, 3), Decided.COUNTS, counts))
    plan.turn(plan.ago(6), lambda doors: _reconsider(doors, who, slice(3, 5), Decided.STRUCK, struck))


def _reconsider(doors: Doors, who: str, which: slice, outcome: str, reason: str) -> None:
    """Those of this learner, oldest first; others' stay in question."""
    educator, by = doors.educator(doors.home(who)), doors.users[STORIES["ineligible"].number]
    found = reconsidering.resting_on(access_of(educator), by)
    rows = [each.statement for each in found if each.insertion.clinician_id == doors.clinicians[who].pk][which]
    digest = reconsidering.decision_digest(rows, outcome, reason)
    signer = doors.confirm(educator, reconsidering.MEANING, [digest])
    reconsidering.decide(signer=signer, statements=rows, outcome=outcome, reason=reason)


# --- at the register ---


def _rule(doors: Doors, user: User, dispute: AnyDispute, outcome: Ruling.Outcome, reason: str) -> None:
    digest = ruling.ruling_digest(dispute, outcome, reason)
    signer = doors.confirm(user, ruling.MEANING, [digest])
    ruling.rule(signer=signer, dispute=dispute, outcome=outcome, reason=reason)


def _open(entry: UUID) -> Dispute:
    return Dispute.objects.known().select_related("insertion__clinician", "by").get(insertion__uuid=entry)


def _open_observed(doors: Doors, who: str) -> ObservationDispute:
    rows = ObservationDispute.objects.known().filter(observation__clinician=doors.clinicians[who])
    return rows.select_related("observation__clinician", "by").get()


def _weekday(day: date) -> date:
    return day - timedelta(days=max(0, day.weekday() - 4))
