"""Flags: questions that findings open and people close. A flag never changes a standing."""

import json
from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from audits.freetext import text_problems
from audits.measures import measures
from credentials.gathering import Pair
from credentials.models import Flag, FlagReply, Rules
from credentials.referring import referred_to
from credentials.rules.asking import ask_for
from credentials.rules.flagging import Day, FlagKey, key_of, to_raise, was_absent_since, with_closings
from credentials.rules.reasons import Finding
from credentials.standings import Judged, judge_many
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.models import User
from people.problems import Problems, problem
from people.signing import Confirmed, digest_of

MEANING = "closed after review"


class AlreadyClosed(RuntimeError):  # noqa: N818
    """Somebody closed this flag before."""


@dataclass(frozen=True)
class Raised:
    """What a run did about flags."""

    raised: int
    already_open: int


def raise_flags(judged: Iterable[Judged]) -> Raised:
    """Open a flag for every finding that asks for a review and may open one. Each is an act of the register itself."""
    asking = [each for each in judged if any(finding.consequence.is_review for finding in each.standing.findings)]
    known = _flags_of({each.clinician for each in asking})
    raised = already = 0
    for each in asking:
        flags = known.get((each.clinician, each.procedure), [])
        is_open = {_key(flag) for flag in flags if flag.closed_id is None}
        findings = _new_findings(each, is_open, _latest_closings(flags))
        already += sum(key_of(finding) in is_open for finding in each.standing.findings)
        raised += sum(_raise(each, finding) for finding in findings)
    return Raised(raised, already)


def _new_findings(each: Judged, is_open: Collection[FlagKey], closings: Mapping[FlagKey, date]) -> list[Finding]:
    figures = each.figures
    if closings:
        ask = with_closings(ask_for(each.facts, each.on), closings.values())
        pair = (each.clinician, each.procedure)
        figures = measures({each.clinician}, asks={pair: ask}, on=each.on)[pair]
    days = _days_of((each.clinician, each.procedure))
    return to_raise(
        each.standing.findings,
        is_open=is_open,
        closed_on=closings,
        figures=figures,
        again_after=each.facts.rules.again_after if each.facts.rules else 10,
        was_absent=lambda key, closed: was_absent_since(key, closed_on=closed, on=each.on, day_at=days),
    )


def _days_of(pair: Pair) -> Callable[[date], Day]:
    """What held at the end of a past day, judged from what is known now; each day once."""
    seen: dict[date, Day] = {}

    def day_at(day: date) -> Day:
        if day not in seen:
            then = judge_many([pair], on=day)[pair]
            seen[day] = Day({key_of(finding) for finding in then.standing.findings}, then.next_change_on)
        return seen[day]

    return day_at


def _raise(each: Judged, finding: Finding) -> bool:
    """One flag, in its own transaction. False if another run was faster: the database keeps one open for a key."""
    uuid = each.facts.rules.uuid if each.facts.rules else None
    flag = Flag(
        clinician_id=each.clinician,
        procedure_id=each.procedure,
        rule=finding.rule,
        evidence=finding.key,
        raised_on=each.on,
        reply_by=each.on + timedelta(days=finding.consequence.reply_days),
        figures=canonical(
            {
                "figure": finding.figure,
                "threshold": finding.threshold,
                "text": finding.text,
                "evidence": list(finding.evidence),
                "set": finding.set_name,
                "set_version": finding.set_version,
                "known": each.known,
            }
        ),
        rules=Rules.objects.filter(uuid=uuid).first() if uuid else None,
    )
    try:
        with transaction.atomic(), recording(actor=None, kind="flag.raised", subject=flag.uuid) as rec:
            flag.raised_id = rec.seq
            flag.save(force_insert=True)
            rec.content |= {"rule": finding.rule, "evidence": finding.key, "finding": json.loads(flag.figures)}
    except IntegrityError:
        if Flag.objects.filter(**_same(flag), closed=None).exists():
            return False
        raise
    return True


def _same(flag: Flag) -> dict[str, object]:
    return {
        "clinician_id": flag.clinician_id,
        "procedure_id": flag.procedure_id,
        "rule": flag.rule,
        "evidence": flag.evidence,
    }


def flag_digest(flag: Flag) -> str:
    """The digest of a flag as it is shown: who closes it signs this."""
    return digest_of(
        {
            "flag": str(flag.uuid),
            "clinician": str(flag.clinician.uuid),
            "procedure": flag.procedure.code,
            "rule": flag.rule,
            "evidence": flag.evidence,
            "raised_on": flag.raised_on.isoformat(),
            "figures": json.loads(flag.figures),
        }
    )


# What closes a flag and changes nothing else. A plan or suspension closes it by its own decision (`close_with`).
CLOSING = (Flag.Outcome.NO_ACTION, Flag.Outcome.WATCH, Flag.Outcome.TALKED, Flag.Outcome.REFRESH)


def close_flag(*, signer: Confirmed, flag: Flag, outcome: str, reason: str) -> Flag:
    """Close a flag with what came of it and why. Raises NotPermitted, AlreadyClosed, Problems."""
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, flag.clinician)
    reason = reason.strip()
    if outcome not in CLOSING:
        raise problem("outcome", "Choose what came of it. A plan or a suspension is a decision on a page of its own.")
    if len(reason) < 10:
        raise problem("reason", "Give the reason in a sentence: whoever reads this later was not there.")
    if found := text_problems("reason", reason, longest=500):
        raise Problems(found)
    with transaction.atomic():
        locked = Flag.objects.select_for_update().get(pk=flag.pk)
        if locked.closed_id is not None:
            raise AlreadyClosed("Somebody closed this flag before you.")
        with recording(actor=signer.user, kind="flag.closed", subject=flag.uuid) as rec:
            signer.use(flag_digest(flag), rec, role="educator")
            rec.content |= {"outcome": outcome}
            rec.personal = {"reason": reason}
            _close(rec, flag, outcome=outcome, reason=reason, on=access.on)
            # The closing of a drift flag starts the path anew.
            stale.touch([flag.clinician_id], procedure=flag.procedure_id, cause=rec.kind, act=rec.seq)
    flag.refresh_from_db()
    return flag


def close_with(rec: Recording, flag: Flag, *, outcome: str, reason: str, on: date) -> None:
    """Close a flag by a decision that says what is done: within the act of that decision, whose reason is the flag's.

    The caller has the right and the signature, holds the lock of the flag, and touches the standing.
    """
    rec.content["closes"] = {"flag": str(flag.uuid), "flag_digest": flag_digest(flag), "outcome": str(outcome)}
    _close(rec, flag, outcome=outcome, reason=reason.strip(), on=on)


def _close(rec: Recording, flag: Flag, *, outcome: str, reason: str, on: date) -> None:
    Flag.objects.filter(pk=flag.pk).update(
        closed_id=rec.seq, closed_on=on, closed_by=rec.actor, outcome=outcome, reason=reason
    )


def reply(*, actor: User, flag: Flag, text: str) -> FlagReply:
    """What the person says to the flag, or an educator notes on it. Raises NotPermitted, AlreadyClosed, Problems."""
    if not may_reply(access_of(actor), flag):
        raise NotPermitted(f"{actor.pk} may not reply to flag {flag.uuid}")
    text = text.strip()
    if found := text_problems("text", text, longest=1000, asked="Write your reply."):
        raise Problems(found)
    with transaction.atomic():
        if Flag.objects.select_for_update().get(pk=flag.pk).closed_id is not None:
            raise AlreadyClosed("This flag is closed; nothing can be added to it.")
        with recording(actor=actor, kind="flag.replied", subject=flag.uuid) as rec:
            rec.personal = {"text": text}
            return FlagReply.objects.create(flag=flag, by=actor, text=text, made_id=rec.seq, said_at=clock.now())


def may_reply(access: Access, flag: Flag) -> bool:
    """Whether this user has a say: the person, the educators of their unit, and whoever the case is shown to."""
    if access.is_self(flag.clinician) or access.may_about(Right.DECIDE, flag.clinician):
        return True
    return referred_to(access).filter(flag=flag).exists()


def visible_flags(access: Access) -> QuerySet[Flag]:
    """The flags that this user may see: one's own, those shown to one, as educator or auditor those of one's units."""
    seen = Q(clinician__in=access.clinicians_for(Right.FIGURES)) | Q(pk__in=referred_to(access).values("flag"))
    return Flag.objects.filter(seen).select_related("clinician", "procedure", "closed_by", "closed__actor", "rules")


def _flags_of(clinicians: Collection[int]) -> dict[Pair, list[Flag]]:
    found: dict[Pair, list[Flag]] = defaultdict(list)
    for flag in Flag.objects.filter(clinician__in=clinicians).order_by("id"):
        found[flag.clinician_id, flag.procedure_id].append(flag)
    return found


def _key(flag: Flag) -> FlagKey:
    return FlagKey(flag.rule, flag.evidence)


def _latest_closings(flags: Iterable[Flag]) -> dict[FlagKey, date]:
    found: dict[FlagKey, date] = {}
    for flag in flags:
        if flag.closed_on is not None:
            found[_key(flag)] = max(flag.closed_on, found.get(_key(flag), flag.closed_on))
    return found
