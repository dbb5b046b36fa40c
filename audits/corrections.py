"""Correcting and withdrawing entries: each a new version with its reason, the old one stays readable.

What an entry counts for is never changed by its writer alone: another result, attempts, event, inserter, procedure or
day, and withdrawing, wait as a proposal for the named supervisor or an educator. So does any change of an entry that
was countersigned, which asks for a new countersignature with the agreement. Until then the old version stands. What is
left (a side, a comment) is corrected at once.
"""

import json
from dataclasses import dataclass, fields, replace
from typing import Any

from django.db import transaction
from django.db.models import Prefetch, Q

from audits.access import is_own
from audits.countersigning import POSITIVE, add_statement, standing_version
from audits.entry import Entry, entry_from, problems, sent
from audits.freetext import text_problems
from audits.logbook import touch
from audits.models import Dispute, Insertion, Proposal, Sheet, Statement
from audits.outcomes import refresh
from audits.resolving import Claim, Context, Lookups, Ready, Source, code_of
from audits.versions import NewVersion, entry_of, ready_of, write
from audits.vocabulary import GUIDED
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people.access import Access, NotPermitted, Right, access_of
from people.models import Appointment, Clinician, User
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of
from people.tree import tree

Kind = Proposal.Kind
LONGEST_REASON = 300
MEANING = {True: "agreed to a change of an entry", False: "refused a change of an entry"}


@dataclass(frozen=True, slots=True)
class Difference:
    """One field of an entry that would change: its name in `Entry`, and its plain values."""

    field: str
    before: Any
    after: Any


@dataclass(frozen=True)
class Pending:
    """A proposal that waits for somebody, with what it changes and what is signed with the decision.

    `asks_signature`: the version was countersigned, so that agreeing signs the new one as well.
    """

    proposal: Proposal
    where: str
    differences: tuple[Difference, ...]
    digest: str
    asks_signature: bool


def correct(*, actor: User, insertion: Insertion, entry: Entry, reason: str) -> Insertion | Proposal:
    """Correct one's own entry, or somebody's as an educator of the unit: the new version, or the proposal that waits.

    Raises NotPermitted, Problems, AlreadyDecided if this version no longer stands.
    """
    _require_may_change(access_of(actor), insertion)
    with transaction.atomic():
        _lock({insertion.clinician_id, *_keys(entry)})
        with recording(actor=actor, kind="insertion.corrected", subject=insertion.uuid) as rec:
            made = add_correction(rec, actor=actor, insertion=insertion, entry=entry, reason=reason)
            if isinstance(made, Proposal):
                rec.kind = "correction.proposed"
            return made


def add_correction(
    rec: Recording, *, actor: User, insertion: Insertion, entry: Entry, reason: str
) -> Insertion | Proposal:
    """The same within an act that is already open: an import that brings a changed row. Permission is the caller's."""
    if entry.uuid != insertion.uuid:
        raise ValueError(f"entry {entry.uuid} is no correction of {insertion.uuid}")
    old = _may_be_changed(insertion)
    before = entry_of(old)
    if code_of(entry.occasion) == old.occasion and not before.occasion:
        entry = replace(entry, occasion="")
    found = text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why it is corrected.")
    if sent(entry) == sent(before):
        found.append(Problem("", "Nothing would change."))
    ready = _resolved(old, before, entry, found)
    if ready is None or found:
        raise Problems(found)
    if counts_otherwise(before, entry) or _signed(old) or Dispute.objects.known().filter(insertion=old).exists():
        return _propose(rec, actor, old, Kind.CORRECTION, canonical(sent(entry)), reason)
    made = _write(rec, old, ready, reason=reason)
    _settle(rec, old, made)
    return made


def propose_withdrawal(*, actor: User, insertion: Insertion, reason: str) -> Proposal:
    """Propose to withdraw one's own entry, or somebody's as an educator of the unit. Raises as `correct`."""
    _require_may_change(access_of(actor), insertion)
    with transaction.atomic():
        _lock({insertion.clinician_id})
        with recording(actor=actor, kind="correction.proposed", subject=insertion.uuid) as rec:
            old = _may_be_changed(insertion)
            if found := text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why it is withdrawn."):
                raise Problems(found)
            return _propose(rec, actor, old, Kind.WITHDRAWAL, canonical({"withdrawn": True}), reason)


def decide(*, signer: Confirmed, proposal: Proposal, agree: bool, nearness: str = "", note: str = "") -> Proposal:
    """Agree to a proposal or refuse it, as the named supervisor or an educator who is neither writer nor inserter.

    Of a countersigned entry, agreeing to a correction countersigns the new version: the supervisor says how near, an
    educator names the evidence in the note. The signer was shown `digest_of_proposal`. Raises NotPermitted, Problems,
    AlreadyDecided, NotConfirmed.
    """
    with transaction.atomic():
        first = proposal.insertion
        entry = _proposed(proposal)
        _lock({first.clinician_id, *(_keys(entry) if entry else ())})
        with recording(actor=signer.user, kind="correction.decided", subject=first.uuid) as rec:
            if not Proposal.objects.known().filter(pk=proposal.pk).exists():
                raise problem("", "Somebody decided this meanwhile: look at it again.")
            old = standing_version(first.pk)
            _require_may_decide(access_of(signer.user), proposal, old, entry)
            digest = digest_of_proposal(proposal)
            rec.content |= {"agreed": agree, "kind": str(proposal.kind), "proposal": digest}
            Proposal.objects.filter(pk=proposal.pk).update(known_until_id=rec.seq, decided_id=rec.seq, agreed=agree)
            if agree:
                _carry_out(rec, signer, proposal, old, entry, nearness=nearness, note=note)
            if "signature" not in rec.content:
                named = old.supervisor_id == signer.user.pk
                signer.use(digest, rec, role="Named supervisor" if named else str(Appointment.Role.EDUCATOR.label))
            proposal.refresh_from_db()
            return proposal


def add_decision(rec: Recording, proposal: Proposal, *, agree: bool) -> Insertion | None:
    """Carry a proposal out, or refuse it, within the act of a ruling: the new version, which nobody has signed yet.

    Permission and lock are the caller's. Raises Problems if the change is not possible any more.
    """
    old = proposal.insertion
    rec.content |= {"agreed": agree, "kind": str(proposal.kind), "proposal": digest_of_proposal(proposal)}
    Proposal.objects.filter(pk=proposal.pk).update(known_until_id=rec.seq, decided_id=rec.seq, agreed=agree)
    if not agree:
        return None
    entry = _proposed(proposal)
    found: list[Problem] = []
    ready = ready_of(old) if entry is None else _resolved(old, entry_of(old), entry, found)
    if ready is None:
        raise Problems(found)
    made = _write(rec, old, ready, reason=proposal.reason, withdrawn=entry is None)
    _settle(rec, old, made)
    return made


def add_strike(rec: Recording, old: Insertion, *, reason: str) -> Insertion:
    """Withdraw this version within the act of a ruling. Permission and lock are the caller's."""
    made = _write(rec, old, ready_of(old), reason=reason, withdrawn=True)
    _settle(rec, old, made)
    return made


def take_back(*, actor: User, proposal: Proposal) -> Proposal:
    """Take one's own proposal back before it is decided. Raises NotPermitted, Problems if it was decided."""
    if proposal.by_id != actor.pk:
        raise NotPermitted(f"proposal {proposal.pk} is not by {actor.pk}")
    with transaction.atomic():
        _lock({proposal.insertion.clinician_id})
        with recording(actor=actor, kind="correction.taken_back", subject=proposal.insertion.uuid) as rec:
            open_now = Proposal.objects.known().filter(pk=proposal.pk)
            if not open_now.update(known_until_id=rec.seq, decided_id=rec.seq):
                raise problem("", "It was decided meanwhile.")
            proposal.refresh_from_db()
            return proposal


def proposals_for(access: Access) -> list[Pending]:
    """What waits for this user's decision, oldest first. A fixed number of queries."""
    found = (
        Proposal.objects.known()
        .filter(Q(insertion__supervisor=access.user) | Q(insertion__unit__in=access.units_for(Right.DECIDE)))
        .exclude(by=access.user)
        .exclude(insertion__clinician__user=access.user)
        .select_related("insertion__clinician", "insertion__procedure", "by")
        .prefetch_related(
            Prefetch("insertion__statements", Statement.objects.known(), to_attr="standing"), "insertion__attempts"
        )
        .order_by("pk")
    )
    return [_pending(each, access) for each in found]


def digest_of_proposal(proposal: Proposal) -> str:
    """The digest of what is shown with a proposal: the version that stands, what would become of it, and why."""
    return digest_of(
        {
            "content": proposal.content,
            "insertion": str(proposal.insertion.uuid),
            "insertion_digest": proposal.insertion.digest,
            "kind": str(proposal.kind),
            "reason": proposal.reason,
        }
    )


def counts_otherwise(before: Entry, after: Entry) -> bool:
    """Whether a change touches what the entry counts for, and so needs somebody's agreement."""
    return _counted(before) != _counted(after)


def history(insertion: Insertion) -> list[Insertion]:
    """Every version of an entry, first to last, with the act that brought it, its attempts and its statements."""
    return list(
        Insertion.objects.filter(uuid=insertion.uuid)
        .select_related("clinician", "procedure", "supervisor", "known_from__actor")
        .prefetch_related("attempts", "statements__by", "proposals__by")
        .order_by("version")
    )


def differences(before: Entry, after: Entry) -> tuple[Difference, ...]:
    """The fields in which two entries differ."""
    pairs = ((each.name, getattr(before, each.name), getattr(after, each.name)) for each in fields(Entry))
    return tuple(Difference(*pair) for pair in pairs if pair[1] != pair[2])


def _counted(entry: Entry) -> tuple[Any, ...]:
    return (
        entry.clinician,
        entry.procedure,
        entry.simulation,
        entry.performed.date(),
        [(attempt.result, attempt.technique in GUIDED) for attempt in entry.attempts],
        frozenset(entry.events or ()),
        entry.others_before,
        code_of(entry.occasion),
    )


def _require_may_change(access: Access, insertion: Insertion) -> None:
    own = access.clinician is not None and access.clinician.pk == insertion.clinician_id
    if not own and not access.may(Right.LOG_ON_BEHALF, insertion.unit_id):
        raise NotPermitted(f"{access.user.pk} may not change insertion {insertion.uuid}")


def _require_may_decide(access: Access, proposal: Proposal, old: Insertion, entry: Entry | None) -> None:
    user = access.user
    inserter = access.clinician is not None and entry is not None and access.clinician.uuid == entry.clinician
    if proposal.by_id == user.pk or is_own(user, old) or inserter:
        raise NotPermitted(f"{user.pk} may not decide proposal {proposal.pk}: their own")
    if old.supervisor_id != user.pk and not access.may(Right.DECIDE, old.unit_id):
        raise NotPermitted(f"{user.pk} is neither the named supervisor nor an educator of insertion {old.uuid}")


def _may_be_changed(insertion: Insertion) -> Insertion:
    """The version, if it stands and no change of it waits. Of a disputed one a change may be proposed, no more."""
    old = standing_version(insertion.pk, disputed_too=True)
    if Proposal.objects.known().filter(insertion=old).exists():
        raise problem("", "A change of this entry waits for a decision: let it be decided, or take it back.")
    return old


def _resolved(old: Insertion, before: Entry, entry: Entry, found: list[Problem]) -> Ready | None:
    """The corrected entry with its keys; or None, with what is wrong added to the list."""
    from_sheet = old.source in (Source.SHEET, Source.PAPER)
    same_place = (before.performed.date(), before.unit, before.procedure) == (
        entry.performed.date(), entry.unit, entry.procedure,
    )  # fmt: skip
    context = Context(
        Source.SHEET if from_sheet else Source(old.source),
        claim_of(old.sheet) if from_sheet and not same_place else Claim(),
        (old.source, old.partial) if from_sheet and same_place else None,
    )
    wrong = problems(entry, from_sheet=from_sheet)
    ready = None if wrong else Lookups([entry], context).resolve(entry, wrong)
    found += wrong
    if ready is not None and (entry.occasion, entry.others_before) == (before.occasion, before.others_before):
        # What was known of others at the first entry stays so.
        return replace(ready, others_before=old.others_before)
    return ready


def claim_of(sheet: Sheet | None) -> Claim:
    """What was signed about a sheet, as a claim for checking its rows."""
    if sheet is None or sheet.complete_from is None:
        return Claim()
    now = tree()
    named = [unit for unit in sheet.units.values_list("pk", flat=True) if unit in now]
    return Claim(frozenset().union(*map(now.below, named)), sheet.complete_from, sheet.complete_through)


def _propose(rec: Recording, actor: User, old: Insertion, kind: str, content: str, reason: str) -> Proposal:
    made = Proposal.objects.create(
        insertion=old, kind=kind, content=content, reason=reason.strip(), by=actor, known_from_id=rec.seq
    )
    rec.content.setdefault("proposals", []).append({"digest": digest_of_proposal(made), "insertion": str(old.uuid)})
    return made


def _carry_out(
    rec: Recording,
    signer: Confirmed,
    proposal: Proposal,
    old: Insertion,
    entry: Entry | None,
    *,
    nearness: str,
    note: str,
) -> None:
    if entry is None:
        made = _write(rec, old, ready_of(old), reason=proposal.reason, withdrawn=True)
        _settle(rec, old, made)
        return
    found: list[Problem] = []
    ready = _resolved(old, entry_of(old), entry, found)
    if ready is None:
        raise Problems(found)
    signed = _signed(old)
    made = _write(rec, old, ready, reason=proposal.reason)
    if signed or nearness:
        by_supervisor = made.supervisor_id == signer.user.pk and bool(nearness)
        if not by_supervisor and made.supervisor_id == signer.user.pk and not note:
            raise problem("nearness", "Say how near you were: agreeing signs the new version.")
        kind = nearness if by_supervisor else Statement.Kind.OTHER_EVIDENCE
        add_statement(rec, signer=signer, insertion=made, kind=kind, note=note, digest=digest_of_proposal(proposal))
    _settle(rec, old, made)


def _write(rec: Recording, old: Insertion, ready: Ready, *, reason: str, withdrawn: bool = False) -> Insertion:
    """Close the old version and write the next."""
    Insertion.objects.filter(pk=old.pk, known_until=None).update(known_until_id=rec.seq)
    new = NewVersion(
        ready=ready,
        occasion=ready.occasion or old.occasion,
        entered_at=old.entered_at,
        version=old.version + 1,
        withdrawn=withdrawn,
        sheet=old.sheet_id,
        correction={"previous": old.digest, "reason": reason.strip()},
    )
    (written,) = write([new], rec)
    rec.content.setdefault("versions", []).append(
        {"digest": written.digest, "insertion": str(old.uuid), "previous": old.digest, "version": new.version}
    )
    return Insertion.objects.select_related("clinician", "procedure").get(pk=written.insertion)


def _settle(rec: Recording, old: Insertion, new: Insertion) -> None:
    refresh([new.uuid])
    touch({(each.clinician_id, each.procedure_id) for each in (old, new)}, rec)


def _signed(insertion: Insertion) -> bool:
    return Statement.objects.known().filter(insertion=insertion, kind__in=POSITIVE).exists()


def _proposed(proposal: Proposal) -> Entry | None:
    """The entry as it would be; None for a withdrawal."""
    if proposal.kind == Kind.WITHDRAWAL:
        return None
    return entry_from(proposal.insertion.uuid, json.loads(proposal.content))


def _pending(proposal: Proposal, access: Access) -> Pending:
    old = proposal.insertion
    entry = _proposed(proposal)
    signed = any(statement.kind in POSITIVE for statement in old.standing)  # type: ignore[attr-defined]
    return Pending(
        proposal=proposal,
        where=access.tree.path(old.unit_id),
        differences=(Difference("withdrawn", False, True),) if entry is None else differences(entry_of(old), entry),
        digest=digest_of_proposal(proposal),
        asks_signature=signed and entry is not None,
    )


def _lock(clinicians: set[int]) -> None:
    list(Clinician.objects.select_for_update().filter(pk__in=clinicians).order_by("pk"))


def _keys(entry: Entry) -> list[int]:
    return list(Clinician.objects.filter(uuid=entry.clinician).values_list("pk", flat=True))
