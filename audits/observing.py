"""Observing: begin with a purpose, tick step by step, look at it whole, sign. Nobody observes themselves.

What an observation is for is fixed by the act that begins it, before the first tick. Ticks are kept as one goes, for
their assessor alone, and count for nothing until they are signed. Who may observe is judged on the day of the practice.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any
from uuid import UUID

from django.db import transaction

from audits import checklist
from audits.checklist import LEVEL_WORDS, Fault, Mark, Marks, Purpose, Seen, Setting, Verdict
from audits.checklists import checklists_known, parsed
from audits.freetext import text_problems
from audits.holding import Held, Refusal, holdings
from audits.localtime import NoSuchTime, TwiceThatDay, local, moment
from audits.models import Observation, ObservationDraft, Procedure, SecondAsked
from audits.second_raters import drawn, waits_for
from ledger.acts import instant, recording
from ledger.canonical import canonical, digest
from people import clock, stale
from people.access import Access, NotPermitted, access_of
from people.clock import in_words
from people.models import Appointment, Clinician, Unit, User
from people.problems import Problem, Problems, problem
from people.settings import book
from people.signing import Confirmed
from people.spans import lock
from people.tree import tree

MEANING = {Purpose.DECISION: "observed for a decision, as shown", Purpose.LEARNING: "observed for learning, as shown"}
LONGEST_TEXT, LONGEST_NOTE = 1000, 300
EMPTY: Mapping[str, Any] = {
    "marks": {}, "stopped": False, "rating": None, "given": "", "recommended": "", "met": None, "feedback": "",
    "next": "",
}  # fmt: skip


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


@dataclass(frozen=True, kw_only=True)
class Check:
    """An observation as it would be signed. `faults` are what is still to be marked or said, path first.

    `best` is the most that the marks allow (None for learning), `verdict` what the assessor's own word makes of it.
    """

    observation: Observation
    checklist: checklist.Checklist
    marks: Marks
    said: Mapping[str, Any]
    faults: tuple[Fault, ...]
    best: Verdict | None
    verdict: Verdict | None
    missed: tuple[str, ...]
    not_reached: tuple[str, ...]

    @property
    def marked(self) -> int:
        """How many steps are marked, of `len(checklist.steps)`."""
        return sum(step.key in self.marks for step in self.checklist.steps)

    @cached_property
    def content(self) -> str:
        return canonical(
            {
                **_begun_with(self.observation),
                "feedback": self.said["feedback"],
                "given": self.said["given"],
                "marks": {
                    key: {"mark": str(seen.mark), "note": seen.note, "reason": seen.reason}
                    for key, seen in self.marks.items()
                },
                "met": self.said["met"],
                "missed": list(self.missed),
                "next": self.said["next"],
                "rating": self.said["rating"],
                "recommended": self.said["recommended"],
                "stopped": self.said["stopped"],
                "verdict": str(self.verdict or ""),
            }
        )

    @cached_property
    def digest(self) -> str:
        return digest(self.content)


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

    `observed_at` is a naive local time, None for now. The same again, under the same UUID, is what was begun before.
    Raises NotPermitted, NotEligible, Problems (no checklist, a time to come or too long ago), Conflict.
    """
    if purpose not in list(Purpose) or setting not in list(Setting):
        raise ValueError(f"purpose {purpose!r} or setting {setting!r} is none")
    at, zone = _moment(unit, observed_at, fold)
    on = local(at, zone).date()
    with transaction.atomic():
        clinician = lock(clinician)
        access = access_of(actor)
        if not access.in_scope().filter(pk=clinician.pk).exists():
            raise NotPermitted(f"clinician {clinician.pk} is out of the scope of {actor.pk}")
        _require_not_own(actor, clinician)
        if (earlier := Observation.objects.filter(uuid=uuid).first()) is not None:
            return _same(earlier, actor, clinician, procedure, unit, purpose, setting)
        if second_of is not None and not waits_for(second_of, actor):
            raise NotPermitted(f"{actor.pk} is not asked for a second rating of {second_of.uuid}")
        if second_of is None:
            row = checklists_known().binding(procedure.pk, tree().above(unit.pk), on)
        else:
            row = second_of.checklist
        if row is None:
            raise problem("procedure", f"No checklist for {procedure.name} is approved here on {in_words(on)}.")
        found = _time_problems(at, zone, unit)
        if found:
            raise Problems(found)
        _eligible(actor, unit.pk, procedure.pk, at, zone, purpose)
        with recording(actor=actor, kind="observation.begun", subject=uuid) as rec:
            made = Observation.objects.create(
                uuid=uuid,
                clinician=clinician,
                clinician_user_id=clinician.user_id,
                procedure=procedure,
                unit=unit,
                checklist=row,
                purpose=purpose,
                setting=setting,
                observed_at=at,
                zone=zone,
                observed_on=on,
                assessor=actor,
                second_of=second_of,
                second_wanted=second_of is None and drawn(uuid, unit.pk, on),
                known_from_id=rec.seq,
            )
            ObservationDraft.objects.create(observation=made, content=dict(EMPTY), changed_at=rec.recorded_at)
            rec.content |= {**_begun_with(made), "second_wanted": made.second_wanted}
            stale.touch(cause=rec.kind, act=rec.seq)
            return made


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
        content = _merged(draft.content, changes, parsed(row.checklist))
        if content != draft.content:
            draft.content, draft.revision, draft.changed_at = content, draft.revision + 1, clock.now()
            draft.save()
        return draft


def check(observation: Observation) -> Check:
    """How the observation stands: what is marked, what is missing, what it would come to. One query or two."""
    if observation.signed_id is not None:
        said: Mapping[str, Any] = json.loads(observation.content)
    else:
        said = {**EMPTY, **ObservationDraft.objects.get(observation=observation).content}
    return _checked(observation, said)


def sign(*, signer: Confirmed, observation: Observation) -> Observation:
    """Sign the observation as it was shown on the check page. Raises NotPermitted, NotEligible, Problems if something
    is not marked or said yet, AlreadySigned, NotConfirmed if it changed since it was shown.
    """
    with transaction.atomic():
        clinician = lock(Clinician(pk=observation.clinician_id))
        row = _mine_open(signer.user, observation.pk)
        _require_not_own(signer.user, clinician)
        draft = ObservationDraft.objects.select_for_update().get(observation=row)
        found = _checked(row, {**EMPTY, **draft.content})
        if found.faults:
            raise Problems([Problem(each.path, each.message) for each in found.faults])
        held = _eligible(signer.user, row.unit_id, row.procedure_id, row.observed_at, row.zone, row.purpose)
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
            for asked in SecondAsked.objects.known().filter(observation=row.second_of_id, whom=signer.user):
                SecondAsked.objects.filter(pk=asked.pk).update(known_until_id=rec.seq)
            row.refresh_from_db()
            rec.content |= {
                **signed_facts(row),
                "award": str(row.award.uuid) if row.award else None,
                "scope": str(row.scope.uuid) if row.scope else None,
                "appointment": str(row.appointment.uuid) if row.appointment else None,
            }
            touched = [] if row.second_of_id else [row.clinician_id]
            stale.touch(touched, cause=rec.kind, act=rec.seq, procedure=row.procedure_id)
            return row


def drop(*, actor: User, observation: Observation, reason: str) -> None:
    """Give up an observation that is not signed: it stays in the history with its reason. Raises as `save`."""
    found = text_problems("reason", reason, longest=LONGEST_NOTE, asked="Say why it is given up.")
    if found:
        raise Problems(found)
    with transaction.atomic():
        lock(Clinician(pk=observation.clinician_id))
        row = _mine_open(actor, observation.pk)
        with recording(actor=actor, kind="observation.dropped", subject=row.uuid) as rec:
            Observation.objects.filter(pk=row.pk).update(known_until_id=rec.seq)
            ObservationDraft.objects.filter(observation=row).delete()
            rec.personal = {"reason": reason.strip()}
            stale.touch(cause=rec.kind, act=rec.seq)


def mine_open(access: Access) -> list[Observation]:
    """What this user began and has not signed, the latest first."""
    rows = Observation.objects.known().filter(assessor=access.user, signed=None)
    return list(rows.select_related("clinician", "procedure", "draft", "checklist").order_by("-observed_at", "-pk"))


def may_observe(user: User, *, unit: int, procedure: int, on: Any, purpose: str) -> Held | Refusal:
    """Whether this account could observe there on that day, for that purpose, and on what it rests."""
    facts = holdings([user.pk])
    if purpose == Purpose.DECISION:
        return facts.may_assess(user.pk, unit=unit, procedure=procedure, on=on)
    return facts.may_teach(user.pk, unit=unit, on=on)


def signed_facts(row: Observation) -> dict[str, Any]:
    """What an act of signing says of an observation: without its free text."""
    return {
        "checklist": str(row.checklist.uuid),
        "digest": row.digest,
        "missed": row.missed.split(",") if row.missed else [],
        "purpose": row.purpose,
        "setting": row.setting,
        "verdict": row.verdict,
    }


# --- inside ---


def _checked(observation: Observation, said: Mapping[str, Any]) -> Check:
    steps = parsed(observation.checklist)
    known = {step.key for step in steps.steps}
    marks: dict[str, Seen] = {
        key: Seen(Mark(each["mark"]), each.get("reason", ""), each.get("note", ""))
        for key, each in said["marks"].items()
        if key in known and each.get("mark")
    }
    decides = observation.purpose == Purpose.DECISION
    stopped = bool(said["stopped"])
    best = checklist.best_verdict(steps, marks, stopped=stopped) if decides else None
    faults = [*checklist.unfinished(steps, marks), *_unsaid(said, steps, decides, best)]
    return Check(
        observation=observation,
        checklist=steps,
        marks=marks,
        said=said,
        faults=tuple(faults),
        best=best,
        verdict=(best if said["met"] else Verdict.NOT_YET) if decides else None,
        missed=checklist.missed_critical(steps, marks),
        not_reached=checklist.not_reached_critical(steps, marks, stopped=stopped),
    )


def _unsaid(said: Mapping[str, Any], steps: checklist.Checklist, decides: bool, best: Verdict | None) -> list[Fault]:
    faults = []
    if said["rating"] is None:
        faults.append(Fault("rating", "Give your overall impression."))
    if not said["given"]:
        faults.append(Fault("given", "Say how closely this practice was supervised."))
    if not said["recommended"]:
        faults.append(Fault("recommended", "Say how closely you would supervise the next one."))
    if decides and said["met"] is None:
        faults.append(Fault("met", "Say what you decide."))
    if decides and said["met"] and best is Verdict.NOT_YET:
        faults.append(
            Fault("met", "A critical step was not met without a prompt, or not reached: it can only be 'not yet'.")
        )
    if said["stopped"] and not any(each.get("mark") == Mark.NOT_REACHED for each in said["marks"].values()):
        faults.append(Fault("stopped", "It stopped at a missed vein: mark the steps that were not reached."))
    return faults


def _merged(kept: Mapping[str, Any], changes: Mapping[str, Any], steps: checklist.Checklist) -> dict[str, Any]:
    """What is kept with the changes in it. Raises Problems, ValueError."""
    content = {**EMPTY, **kept}
    problems: list[Problem] = []
    if unknown := set(changes) - set(EMPTY):
        raise ValueError(f"an observation holds nothing named {sorted(unknown)}")
    for name, value in changes.items():
        if name == "marks":
            content["marks"] = _merged_marks(content["marks"], value, steps, problems)
            continue
        if name in ("feedback", "next"):
            problems += text_problems(name, value, longest=LONGEST_TEXT)
            value = value.strip()
        elif name == "rating" and not (value is None or (type(value) is int and 1 <= value <= len(steps.ratings))):
            raise ValueError(f"rating {value!r} is none of the {len(steps.ratings)} of this checklist")
        elif name in ("given", "recommended") and value and value not in LEVEL_WORDS:
            raise ValueError(f"level {value!r} is none")
        elif (name == "met" and value not in (None, True, False)) or (name == "stopped" and type(value) is not bool):
            raise ValueError(f"{name} {value!r} is neither yes nor no")
        content[name] = value
    if problems:
        raise Problems(problems)
    return content


def _merged_marks(
    kept: Mapping[str, Any], changes: Mapping[str, Mapping[str, str]], steps: checklist.Checklist, faults: list[Problem]
) -> dict[str, Any]:
    marks = {key: dict(each) for key, each in kept.items()}
    known = {step.key for step in steps.steps}
    for key, said in changes.items():
        if key not in known:
            raise ValueError(f"step {key!r} is none of this checklist")
        if unknown := set(said) - {"mark", "reason", "note"}:
            raise ValueError(f"a step holds nothing named {sorted(unknown)}")
        if said.get("mark"):
            Mark(said["mark"])
        for part in ("reason", "note"):
            faults += text_problems(f"{part}-{key}", said.get(part, ""), longest=LONGEST_NOTE)
        marks[key] = {**marks.get(key, {}), **{part: text.strip() for part, text in said.items()}}
    return {key: each for key, each in marks.items() if any(each.values())}


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


def _same(
    row: Observation, actor: User, clinician: Clinician, procedure: Procedure, unit: Unit, purpose: str, setting: str
) -> Observation:
    begun = (row.assessor_id, row.clinician_id, row.procedure_id, row.unit_id, row.purpose, row.setting)
    if begun != (actor.pk, clinician.pk, procedure.pk, unit.pk, purpose, setting):
        raise Conflict(f"observation {row.uuid} was begun with something else in it")
    return row


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


def _time_problems(at: datetime, zone: str, unit: Unit) -> list[Problem]:
    now, on = clock.now(), local(at, zone).date()
    if at > now + timedelta(minutes=5):
        return [Problem("observed_at", "This time lies in the future.")]
    days = book().value("sign_within_days", tree().above(unit.pk), on=on)
    if (clock.today(zone) - on).days > days:
        return [Problem("observed_at", f"An observation is entered within {days} days.")]
    return []


def _eligible(user: User, unit: int, procedure: int, at: datetime, zone: str, purpose: str) -> Held:
    held = may_observe(user, unit=unit, procedure=procedure, on=local(at, zone).date(), purpose=purpose)
    if isinstance(held, Refusal):
        raise NotEligible(held)
    return held


def _begun_with(row: Observation) -> dict[str, Any]:
    """What is fixed from the beginning, as the content and the act say it."""
    return {
        "assessor": str(row.assessor.uuid),
        "checklist": str(row.checklist.uuid),
        "checklist_version": row.checklist.version,
        "clinician": str(row.clinician.uuid),
        "observed_at": instant(row.observed_at),
        "observed_on": row.observed_on.isoformat(),
        "procedure": row.procedure.code,
        "purpose": str(row.purpose),
        "second_of": str(row.second_of.uuid) if row.second_of else None,
        "setting": str(row.setting),
        "unit": str(row.unit.uuid),
        "uuid": str(row.uuid),
        "zone": row.zone,
    }
