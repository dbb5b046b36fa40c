"""Whether stored decisions are what their acts said: for `verify_ledger`, beside `audits.verifying`."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from audits.models import Checklist, Retirement
from audits.verifying import follows
from credentials.flags import flag_digest
from credentials.founding import founding_digest
from credentials.models import Enrolment, Flag, FlagReply, Founding, Programme, Proposed, Rules
from credentials.proposing import KINDS, document_digest
from credentials.retiring import retirement_digest
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, personal_of, with_acts
from people.signing import digest_of

CLOSED_BY: Mapping[str, str] = {Flag.Outcome.PLAN: "plan.made", Flag.Outcome.SUSPENDED: "suspension.made"}


def register_all() -> None:
    verify.register("rules", rules)
    verify.register("programmes", programmes)
    verify.register("checklists", checklists)
    verify.register("retirements", retirements)
    verify.register("enrolments", enrolments)
    verify.register("founding awards", foundings)
    verify.register("flags", flags)
    verify.register("replies", replies)


def rules() -> Iterator[Problem]:
    return _documents(Rules)


def programmes() -> Iterator[Problem]:
    return _documents(Programme)


def checklists() -> Iterator[Problem]:
    return _documents(Checklist)


def retirements() -> Iterator[Problem]:
    """Each is what somebody signed, and, if decided, decided as another person signed."""
    rows = Retirement.objects.select_related("checklist__unit", "checklist__procedure", "by", "decided")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind="checklist.retired").select_related("payload")):
        waits = act is not None
        for row in made:
            dates = (row.from_day.isoformat(), row.lapses_on.isoformat())
            if act is None or not (
                _signed(act, "checklist.retired", row.checklist.uuid, document_digest(row.checklist), row.by_id)
                and (act.facts["from"], act.facts["lapses_on"]) == dates
                and personal_of(act).get("reason", row.reason) == row.reason
            ):
                yield Problem(seq, f"the retirement of checklist {row.checklist.uuid} is not what was signed")
            if row.decided is not None and not (
                _signed(
                    row.decided, "checklist.retirement_decided", row.checklist.uuid, retirement_digest(row),
                    row.decided_by_id,
                )
                and (row.decided.facts["confirmed"], row.decided.facts["on"])
                == (row.confirmed, row.decided_on and row.decided_on.isoformat())
            ):  # fmt: skip
                yield Problem(row.decided_id, f"the retirement of checklist {row.checklist.uuid} was decided otherwise")
            waits = False
        if waits:
            yield Problem(seq, f"a retirement of checklist {act and act.subject} is missing")


def _documents(model: type[Proposed]) -> Iterator[Problem]:
    """Each is what was proposed, and, if it binds, what the second person signed. Examples have no act of their own."""
    kind = KINDS[model][0]
    rows = model._default_manager.select_related("unit", "procedure", "approved")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind=f"{kind}.proposed")):
        waits = act is not None
        for row in made:
            told = document_digest(row)
            if act is not None and (act.subject, act.facts.get("digest")) != (row.uuid, told):
                yield Problem(seq, f"{kind} {row.uuid} is not what was proposed")
            if row.approved is not None and not _signed(
                row.approved, f"{kind}.approved", row.uuid, told, row.approved_by_id
            ):
                yield Problem(row.approved_id, f"{kind} {row.uuid} does not match what was approved")
            if row.approved is None and row.approved_by_id is not None:
                yield Problem(seq, f"{kind} {row.uuid} names who approved it, and no act does")
            waits = False
        if waits:
            yield Problem(seq, f"{kind} {act and act.subject} is missing")


def enrolments() -> Iterator[Problem]:
    """A first version is what its act opened; a later one follows a version that its act closed, changing its end."""
    rows = Enrolment.objects.select_related("clinician", "procedure", "programme")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind="enrolment.opened")):
        waits = act is not None
        for row in made:
            told = {
                "procedure": row.procedure.code,
                "programme": str(row.programme.uuid),
                "from": row.from_day.isoformat(),
            }
            if act is not None:
                whole = (act.subject, act.facts) == (row.clinician.uuid, told)
            else:
                whole = follows(row, "until_day") or _opened_by_another(seq, row)
            if not whole:
                yield Problem(seq, f"enrolment {row.uuid}: its act does not bring it in")
            waits = False
        if waits:
            yield Problem(seq, f"an enrolment of clinician {act and act.subject} is missing")


def _opened_by_another(seq: int, row: Enrolment) -> bool:
    """An import, a move, or an act that lists whom it enrolled: a cohort joined, a programme that some waited for."""
    act = Act.objects.get(pk=seq)
    listed = {"clinician": str(row.clinician.uuid), "from": row.from_day.isoformat()}
    if act.kind == "enrolment.moved":
        return (act.subject, act.facts["procedure"], act.facts["to_programme"], act.facts["on"]) == (
            row.clinician.uuid,
            row.procedure.code,
            str(row.programme.uuid),
            row.from_day.isoformat(),
        )
    return act.kind == "staff.imported" or (
        act.kind in ("programme.approved", "cohort.joined") and listed in act.facts.get("enrolled", ())
    )


def foundings() -> Iterator[Problem]:
    """Each claim is what was entered, and, if decided, what the second person signed."""
    rows = Founding.objects.select_related("clinician", "procedure", "scope_unit", "decided")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind="founding.entered")):
        waits = act is not None
        for row in made:
            told = founding_digest(row)
            who = {"founding": str(row.uuid), "clinician": str(row.clinician.uuid)}
            if act is not None and (act.subject != row.clinician.uuid or digest_of({**who, **act.facts}) != told):
                yield Problem(seq, f"founding award {row.uuid} is not what was entered")
            if row.decided is not None and not (
                _signed(row.decided, "founding.decided", row.clinician.uuid, told, row.decided_by_id)
                and row.decided.facts["confirmed"] == row.confirmed
            ):
                yield Problem(row.decided_id, f"founding award {row.uuid} does not match what was decided")
            waits = False
        if waits:
            yield Problem(seq, f"a founding award of clinician {act and act.subject} is missing")


def flags() -> Iterator[Problem]:
    """Each flag is what the register raised, and, if closed, closed as somebody signed."""
    rows = Flag.objects.select_related("clinician", "procedure", "closed", "closed__payload")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind="flag.raised"), by="raised_id"):
        waits = act is not None
        for row in made:
            told = {"rule": row.rule, "evidence": row.evidence, "finding": json.loads(row.figures)}
            if act is None or (act.subject, act.facts) != (row.uuid, told):
                yield Problem(seq, f"flag {row.uuid} is not what was raised")
            if row.closed is not None and not (
                _closed_as_signed(row, row.closed) and personal_of(row.closed).get("reason", row.reason) == row.reason
            ):
                yield Problem(row.closed_id, f"flag {row.uuid} was not closed like this")
            waits = False
        if waits:
            yield Problem(seq, f"flag {act and act.subject} is missing")


def _closed_as_signed(row: Flag, act: Act) -> bool:
    """By an act of its own, or by the plan or suspension that was decided on it."""
    if act.kind == "flag.closed":
        whole = _signed(act, "flag.closed", row.uuid, flag_digest(row), row.closed_by_id)
        return whole and bool(act.facts["outcome"] == row.outcome)
    closes = {"flag": str(row.uuid), "flag_digest": flag_digest(row), "outcome": row.outcome}
    decided = CLOSED_BY.get(row.outcome) == act.kind and act.facts.get("closes") == closes
    return decided and (act.subject, act.actor_id) == (row.clinician.uuid, row.closed_by_id)


def replies() -> Iterator[Problem]:
    rows = FlagReply.objects.select_related("flag")
    acts = Act.objects.filter(kind="flag.replied").select_related("payload")
    for seq, act, made in with_acts(rows, acts, by="made_id"):
        told = [(row.flag.uuid, row.by_id, row.text) for row in made]
        said = [(act.subject, act.actor_id, personal_of(act).get("text", told[0][2] if told else ""))] if act else []
        if told != said:
            yield Problem(seq, "the reply to a flag is not what was said")


def _signed(act: Act, kind: str, subject: Any, digest: str, by: int | None) -> bool:
    """Whether this act is of this kind, about this subject, by this account, and signs this digest."""
    signed = act.facts.get("signature", {}).get("digest")
    return (act.kind, act.subject, signed, act.actor_id) == (kind, subject, digest, by)
