"""What was done towards terms of entry and return: knowledge tests, theory, simulation, policies read, return steps.

A completion is noted, by form or by sheet, and never changed. One that is wrong is withdrawn with a reason, stays to be
read, and is noted anew. What was not passed is kept as well and counts for nothing.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache

from django.db import transaction

from audits.bulk import insert_rows
from audits.freetext import text_problems
from audits.models import Completion, Procedure
from audits.outcomes import reconsider
from ledger.acts import Recording, recording
from ledger.canonical import canonical, digest
from ledger.models import Act
from people import clock, stale
from people.access import Right, access_of
from people.clock import in_words
from people.models import Clinician, User
from people.problems import Problem, Problems, problem
from people.spans import lock

Kind = Completion.Kind
WITHDRAWN = "completion.withdrawn"
_COLUMNS = (
    "uuid", "clinician_id", "procedure_id", "kind", "on", "valid_until", "verified_by", "result", "passed", "about",
    "known_from_id",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class NewCompletion:
    """`valid_until` is the first day on which it no longer holds; `verified_by` the name of who saw the proof.

    `result` is as the paper says it; `about` which test, session or policy it was, with its version.
    """

    clinician: Clinician
    procedure: Procedure
    kind: str
    on: date
    verified_by: str
    valid_until: date | None = None
    result: str = ""
    passed: bool = True
    about: str = ""


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """When, by whom and why a completion was withdrawn."""

    at: datetime
    by: str
    reason: str


@dataclass(frozen=True, slots=True)
class Noted:
    """A completion as a page lists it: who noted it, and how it was withdrawn, if it was."""

    completion: Completion
    by: str
    withdrawal: Withdrawal | None


def of(clinician: Clinician, procedure: Procedure, *, known: int | None = None) -> list[Noted]:
    """What somebody has done, as known now or at an act, latest first; what was withdrawn comes last. One query."""
    rows = Completion.objects.filter(clinician=clinician, procedure=procedure)
    if known is not None:
        rows = rows.filter(known_from__lte=known)
    rows = rows.select_related("known_from__actor", "known_until__actor", "known_until__payload")
    found = [_noted(row, known) for row in rows.order_by("-on", "-pk")]
    return sorted(found, key=lambda each: each.withdrawal is not None)


def _noted(row: Completion, known: int | None) -> Noted:
    ended = row.known_until if known is None or (row.known_until_id or 0) <= known else None
    by = row.known_from.actor.name if row.known_from.actor else ""
    return Noted(row, by, None if ended is None else _withdrawal(ended))


def _withdrawal(act: Act) -> Withdrawal:
    said = json.loads(act.payload.body) if hasattr(act, "payload") else {}
    return Withdrawal(act.recorded_at, act.actor.name if act.actor else "", said.get("reason", ""))


def record_completion(*, actor: User, new: NewCompletion) -> Completion:
    """Note what somebody has done, as an educator of theirs; never one's own. Raises NotPermitted, Problems.

    The same once more is refused, so that a form that is sent twice notes it once.
    """
    access_of(actor).require_about(Right.DECIDE, new.clinician)
    with transaction.atomic():
        lock(new.clinician)
        with recording(actor=actor, kind="completion.recorded", subject=new.clinician.uuid) as rec:
            made = add_completion(rec, new)
            rec.content |= {
                "completion": str(made.uuid),
                "digest": completion_digest(made),
                "kind": str(made.kind),
                "on": made.on.isoformat(),
                "passed": made.passed,
                "procedure": new.procedure.code,
                "valid_until": made.valid_until and made.valid_until.isoformat(),
            }
            rec.personal = {"verified_by": made.verified_by}
            return made


def add_completion(rec: Recording, new: NewCompletion) -> Completion:
    """The same within an act that is already open: an import. Raises Problems, ValueError for a kind that is none."""
    found = problems_of(new)
    if not found and _is_noted(new):
        text = f"This is noted already for {in_words(new.on)}. If that one is wrong, withdraw it first."
        found = [Problem("on", text)]
    if found:
        raise Problems(found)
    made = _row(rec, new)
    made.save(force_insert=True)
    _touch(rec, [made])
    return made


def add_completions(rec: Recording, found: Sequence[NewCompletion]) -> list[str]:
    """Many within an open act, as fast as the driver writes. Returns the digest of each, in their order.

    They are known to be right (`problems_of`) and new, and the clinicians' locks are held. The rows have no keys.
    """
    made = [_row(rec, new) for new in found]
    insert_rows(Completion, _COLUMNS, ([getattr(row, name) for name in _COLUMNS] for row in made))
    _touch(rec, made)
    return [completion_digest(row) for row in made]


def withdraw_completion(*, actor: User, completion: Completion, reason: str) -> None:
    """Take back a completion that was noted wrongly: from now on it counts for nothing, and stays to be read.

    Raises NotPermitted, Problems: without a reason, or where it is withdrawn already.
    """
    access_of(actor).require_about(Right.DECIDE, completion.clinician)
    reason = reason.strip()
    if found := text_problems("reason", reason, longest=300, asked="Say what is wrong with it."):
        raise Problems(found)
    with transaction.atomic():
        lock(completion.clinician)
        if not Completion.objects.known().filter(pk=completion.pk).exists():
            raise problem("", "It is withdrawn already.")
        with recording(actor=actor, kind=WITHDRAWN, subject=completion.clinician.uuid) as rec:
            Completion.objects.filter(pk=completion.pk, known_until=None).update(known_until_id=rec.seq)
            rec.content |= {"completion": str(completion.uuid), "procedure": completion.procedure.code}
            rec.personal = {"reason": reason}
            _touch(rec, [completion])


def problems_of(new: NewCompletion) -> list[Problem]:
    """What is wrong with it, whatever else is noted. Raises ValueError for a kind that is none."""
    if new.kind not in Kind.values:
        raise ValueError(f"kind {new.kind!r} is none of {', '.join(Kind.values)}")
    found = [
        *_text_problems("verified_by", new.verified_by, longest=150, asked="Say who saw the proof."),
        *_text_problems("result", new.result, longest=60),
        *_text_problems("about", new.about, longest=120),
    ]
    if new.kind == Kind.POLICY and not new.about.strip():
        found.append(Problem("about", "Say which policy was read, and its version."))
    # A day may begin earlier elsewhere; nobody completes anything later than that.
    if new.on > clock.today("Pacific/Kiritimati"):
        found.append(Problem("on", "This day lies in the future."))
    if new.valid_until is not None and not new.passed:
        found.append(Problem("valid_until", "What was not passed holds on no day: leave this empty."))
    elif new.valid_until is not None and new.valid_until <= new.on:
        found.append(Problem("valid_until", "It would end before it began."))
    return found


def plain(text: str) -> str:
    """A result or title as it is compared: without case and doubled spaces."""
    return " ".join(text.split()).casefold()


def completion_digest(row: Completion) -> str:
    """The digest of all that a completion says. Its act keeps it; the random UUID in it keeps it from being guessed."""
    texts = {
        "about": row.about,
        "clinician": str(row.clinician.uuid),
        "kind": str(row.kind),
        "on": row.on.isoformat(),
        "procedure": row.procedure.code,
        "result": row.result,
        "uuid": str(row.uuid),
        "valid_until": row.valid_until and row.valid_until.isoformat(),
        "verified_by": row.verified_by,
    }
    return digest(canonical({**texts, "passed": row.passed}))


@lru_cache(maxsize=8192)
def _text_problems(field: str, text: str, *, longest: int, asked: str = "") -> tuple[Problem, ...]:
    """Worked out once for each text: the columns of a sheet repeat themselves."""
    return tuple(text_problems(field, text, longest=longest, asked=asked))


def _is_noted(new: NewCompletion) -> bool:
    same = Completion.objects.known().filter(clinician=new.clinician, procedure=new.procedure, kind=new.kind, on=new.on)
    said = plain(new.result), plain(new.about)
    return any((plain(row.result), plain(row.about)) == said for row in same)


def _row(rec: Recording, new: NewCompletion) -> Completion:
    return Completion(
        clinician=new.clinician,
        procedure=new.procedure,
        kind=str(new.kind),
        on=new.on,
        valid_until=new.valid_until,
        verified_by=new.verified_by.strip(),
        result=new.result.strip(),
        passed=new.passed,
        about=new.about.strip(),
        known_from_id=rec.seq,
    )


def _touch(rec: Recording, rows: Iterable[Completion]) -> None:
    """Put into the outbox whose standing may change; what returned supervisors countersigned may count otherwise."""
    of_procedure: dict[int, list[Completion]] = defaultdict(list)
    for row in rows:
        of_procedure[row.procedure_id].append(row)
    for procedure, found in sorted(of_procedure.items()):
        returned = {each.clinician.user_id for each in found if each.kind == Kind.RETURN}
        users = {user for user in returned if user is not None}
        changed = reconsider(users, procedure=procedure) if users else frozenset()
        touched = {each.clinician_id for each in found} | {each for each, _ in changed}
        stale.touch(touched, cause=rec.kind, act=rec.seq, procedure=procedure)
