"""Observing: begin with a purpose, tick step by step, look at it whole, sign. Nobody observes themselves.

What an observation is for is fixed by the act that begins it, before the first tick. Ticks are kept as one goes, for
their assessor alone, and count for nothing until they are signed. Who may observe is judged on the day of the practice.
"""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from uuid import UUID

from django.db import transaction

from audits.checklist import Purpose, Setting
from audits.checklists import checklists_known, parsed
from audits.freetext import text_problems
from audits.holding import Held, Refusal, holdings
from audits.localtime import NoSuchTime, TwiceThatDay, local, moment
from audits.models import Checklist, Observation, ObservationDraft, Procedure, SecondAsked
from audits.observation_content import Check as Check
from audits.observation_content import begun_facts, checked, personal, signed_facts
from audits.observation_content import check as check
from audits.observation_kept import EMPTY as EMPTY
from audits.observation_kept import LONGEST_NOTE as LONGEST_NOTE
from audits.observation_kept import LONGEST_TEXT as LONGEST_TEXT
from audits.observation_kept import merged
from audits.second_raters import drawn, waits_for
from ledger.acts import recording
from people import clock, stale
from people.access import Access, NotPermitted, access_of
from people.clock import in_words
from people.models import Appointment, Clinician, Unit, User
from people.problems import Problem, Problems, problem
from people.settings import book
from people.signing import Confirmed
from people.spans import lock
from people.tree import tree

MEANING = {
    Purpose.DECISION.value: "observed for a decision, as shown",
    Purpose.LEARNING.value: "observed for learning, as shown",
}


class AlreadySigned(RuntimeError):  # noqa: N818
    """The observation was signed or given up before. Nothing was written."""


class ChangedElsewhere(RuntimeError):  # noqa: N818
    """Another device saved meanwhile: `draft` is what is kept. Nothing was written."""

    def __init__(self, draft: ObservationDraft) -> None:
        self.draft = draft
        super().__init__("This was changed on another device meanwhile. What is kept is shown here: look again.")


class NotEligible(NotPermitted):
    """Whoever asks may not observe this there and then: `refusal` says why, and so does the text."""

    def __init__(self, refusal: Refusal) -> None:
        self.refusal = refusal
        super().__init__(refusal.text)


class Conflict(RuntimeError):  # noqa: N818
    """Something else was begun under the same identifier."""


def begin(
    *,
    actor: User,
    uuid: UUID,
    clinician: Clinician,
    procedure: Procedure,
    unit: Unit,
    purpose: str,
    setting: str,
    observed_at: datetime | None = None,
    fold: int | None = None,
    second_of: Observation | None = None,
) -> Observation:
    """Begin to observe somebody on a unit, with the checklist in force there on that day.

    `observed_at` is a naive local time, None for now, `fold` says which of two. The same again, under the same UUID, is
    what was begun before. A second rating is of the same practice as the first: it takes the first one's time, and one
    that is open already is returned.
    Raises NotPermitted, NotEligible, Problems (no checklist, a time to come or too long ago), Conflict.
    """
    if purpose not in list(Purpose) or setting not in list(Setting):
        raise ValueError(f"purpose {purpose!r} or setting {setting!r} is none")
    if second_of is None:
        at, zone = _moment(unit, observed_at, fold)
    else:
        at, zone = second_of.observed_at, second_of.zone
        _require_same_practice(second_of, clinician, procedure, unit, purpose, setting)
    asked = Observation(
        uuid=uuid,
        procedure=procedure,
        unit=unit,
        purpose=purpose,
        setting=setting,
        observed_at=at,
        zone=zone,
        observed_on=local(at, zone).date(),
        assessor=actor,
        second_of=second_of,
    )
    with transaction.atomic():
        asked.clinician = lock(clinician)
        asked.clinician_user_id = asked.clinician.user_id
        access = access_of(actor)
        if not access.in_scope().filter(pk=clinician.pk).exists():
            raise NotPermitted(f"clinician {clinician.pk} is out of the scope of {actor.pk}")
        _require_not_own(actor, asked.clinician)
        if (earlier := Observation.objects.filter(uuid=uuid).first()) is not None:
            return _same(earlier, asked, timed=observed_at is not None)
        if second_of is not None:
            if not waits_for(second_of, actor):
                raise NotPermitted(f"{actor.pk} is not asked for a second rating of {second_of.uuid}")
            if (open_one := _mine_of(second_of, actor)) is not None:
                return open_one
        asked.checklist = _checklist_for(asked)
        if found := _time_problems(asked):
            raise Problems(found)
        _eligible(actor, asked)
        asked.second_wanted = second_of is None and drawn(uuid, unit.pk, asked.observed_on)
        return _begin(asked)


def _begin(asked: Observation) -> Observation:
    with recording(actor=asked.assessor, kind="observation.begun", subject=asked.uuid) as rec:
        asked.known_from_id = rec.seq
        asked.save(force_insert=True)
        ObservationDraft.objects.create(observation=asked, content=dict(EMPTY), changed_at=rec.recorded_at)
        rec.content |= begun_facts(asked)
        stale.touch(cause=rec.kind, act=rec.seq)
        return asked


def save(
    *, user: User, observation: Observation, changes: Mapping[str, Any], revision: int | None = None
) -> ObservationDraft:
    """Keep what was ticked or said so far; only what `changes` names is changed, a mark of '' takes the tick away.

    Raises NotPermitted for anybody but the assessor; AlreadySigned; ChangedElsewhere if `revision` is given and is not
    that of what is kept; Problems for text that may tell who a patient is; ValueError for what no form sends.
    """
    with transaction.atomic():
        row = _mine_open(user, observation.pk)
        draft = ObservationDraft.objects.select_for_update().get(observation=row)
        if revision is not None and draft.revision != revision:
            raise ChangedElsewhere(draft)
        content = merged(draft.content, changes, parsed(row.checklist))
        if content != draft.content:
            draft.content, draft.revision, draft.changed_at = content, draft.revision + 1, clock.now()
            draft.save()
        return draft


def sign(*, signer: Confirmed, observation: Observation) -> Observation:
    """Sign the observation as it was shown on the check page.

    Raises NotPermitted, NotEligible, Problems if something is not marked or said yet or the time to sign is over,
    AlreadySigned, NotConfirmed if it changed since it was shown.
    """
    with transaction.atomic():
        clinician = lock(Clinician(pk=observation.clinician_id))
        row = _mine_open(signer.user, observation.pk)
        _require_not_own(signer.user, clinician)
        draft = ObservationDraft.objects.select_for_update().get(observation=row)
        found = checked(row, draft.content)
        if problems := [*(Problem(each.path, each.message) for each in found.faults), *_time_problems(row)]:
            raise Problems(problems)
        held = _eligible(signer.user, row)
        with recording(actor=signer.user, kind="observation.signed", subject=row.uuid) as rec:
            role = str(Appointment.Role(held.role).label) if held.role else ""
            signature = signer.use(found.digest, rec, role=role)
            Observation.objects.filter(pk=row.pk).update(
                signed_id=rec.seq,
                signed_at=rec.recorded_at,
                content=found.content,
                digest=found.digest,
                verdict=str(found.verdict or ""),
                stopped=bool(found.said["stopped"]),
                missed=",".join(found.missed),
                rating=found.said["rating"],
                given=found.said["given"],
                recommended=found.said["recommended"],
                printed_name=signature["printed_name"],
                role=signature["role"],
                registration=signature["registration"],
                meaning=signature["meaning"],
                award_id=held.award,
                scope_id=held.scope,
                appointment_id=held.appointment,
            )
            draft.delete()
            SecondAsked.objects.filter(observation=row.second_of_id, whom=signer.user, known_until=None).update(
                known_until_id=rec.seq
            )
            row.refresh_from_db()
            rec.content |= signed_facts(row)
            rec.personal = personal(found) or None
            touched = [] if row.second_of_id else [row.clinician_id]
            stale.touch(touched, cause=rec.kind, act=rec.seq, procedure=row.procedure_id)
            return row


def drop(*, actor: User, observation: Observation, reason: str) -> None:
    """Give up an observation that is not signed: it stays in the history with its reason.

    Nobody is asked for a second rating of it any more. Raises NotPermitted, AlreadySigned, Problems.
    """
    found = text_problems("reason", reason, longest=LONGEST_NOTE, asked="Say why it is given up.")
    if found:
        raise Problems(found)
    with transaction.atomic():
        lock(Clinician(pk=observation.clinician_id))
        row = _mine_open(actor, observation.pk)
        with recording(actor=actor, kind="observation.dropped", subject=row.uuid) as rec:
            Observation.objects.filter(pk=row.pk).update(known_until_id=rec.seq)
            ObservationDraft.objects.filter(observation=row).delete()
            SecondAsked.objects.filter(observation=row, known_until=None).update(known_until_id=rec.seq)
            rec.personal = {"reason": reason.strip()}
            stale.touch(cause=rec.kind, act=rec.seq)


def mine_open(access: Access) -> list[Observation]:
    """What this user began and has not signed, the latest first."""
    rows = Observation.objects.known().filter(assessor=access.user, signed=None)
    return list(rows.select_related("clinician", "procedure", "draft", "checklist").order_by("-observed_at", "-pk"))


def may_observe(user: User, *, unit: int, procedure: int, on: date, purpose: str) -> Held | Refusal:
    """Whether this account could observe there on that day, for that purpose, and on what it rests."""
    facts = holdings([user.pk])
    if purpose == Purpose.DECISION:
        return facts.may_assess(user.pk, unit=unit, procedure=procedure, on=on)
    return facts.may_teach(user.pk, unit=unit, on=on)


# --- inside ---


def _mine_open(user: User, pk: int) -> Observation:
    row = Observation.objects.select_for_update(of=("self",)).select_related("checklist", "clinician").get(pk=pk)
    if row.assessor_id != user.pk:
        raise NotPermitted(f"observation {row.uuid} is not {user.pk}'s")
    if row.signed_id is not None:
        raise AlreadySigned(f"This observation was signed on {in_words(local(row.signed_at, row.zone).date())}.")  # type: ignore[arg-type]
    if row.known_until_id is not None:
        raise AlreadySigned("This observation was given up.")
    return row


def _require_not_own(user: User, clinician: Clinician) -> None:
    if clinician.user_id == user.pk:
        raise NotPermitted(f"{user.pk} may not observe themselves")


def _require_same_practice(first: Observation, *said: Any) -> None:
    practice = (first.clinician, first.procedure, first.unit, first.purpose, first.setting)
    if practice != said:
        raise ValueError(f"a second rating of {first.uuid} is of the same practice, not of {said}")


def _same(earlier: Observation, asked: Observation, *, timed: bool) -> Observation:
    """What was begun before under this UUID, if it was this. A form that left the time open means the time it had."""
    fixed = ["assessor_id", "clinician_id", "procedure_id", "unit_id", "purpose", "setting", "second_of_id"]
    if timed:
        fixed.append("observed_at")
    if any(getattr(earlier, name) != getattr(asked, name) for name in fixed):
        raise Conflict(f"observation {earlier.uuid} was begun with something else in it")
    return earlier


def _mine_of(first: Observation, user: User) -> Observation | None:
    """The second rating that this user began and did not give up."""
    return Observation.objects.known().filter(second_of=first, assessor=user).first()


def _checklist_for(asked: Observation) -> Checklist:
    if asked.second_of is not None:
        return asked.second_of.checklist
    found = checklists_known().binding(asked.procedure_id, tree().above(asked.unit_id), asked.observed_on)
    if found is None:
        text = f"No checklist for {asked.procedure.name} is approved here on {in_words(asked.observed_on)}."
        raise problem("procedure", text)
    return found


def _moment(unit: Unit, observed_at: datetime | None, fold: int | None) -> tuple[datetime, str]:
    zone = tree().zone(unit.pk)
    if observed_at is None:
        return clock.now(), zone
    try:
        return moment(observed_at, zone, fold=fold), zone
    except NoSuchTime:
        raise problem("observed_at", "This time did not happen: the clocks went forward over it.") from None
    except TwiceThatDay:
        raise problem("fold", "This time happened twice that day: say whether the first or the second.") from None


def _time_problems(row: Observation) -> list[Problem]:
    if row.observed_at > clock.now():
        return [Problem("observed_at", "This time lies in the future.")]
    days = book().value("sign_within_days", tree().above(row.unit_id), row.procedure.code, on=row.observed_on)
    if (clock.today(row.zone) - row.observed_on).days > days:
        return [Problem("observed_at", f"An observation is entered and signed within {days} days.")]
    return []


def _eligible(user: User, row: Observation) -> Held:
    held = may_observe(user, unit=row.unit_id, procedure=row.procedure_id, on=row.observed_on, purpose=row.purpose)
    if isinstance(held, Refusal):
        raise NotEligible(held)
    return held
