"""One entry as its page shows it: every version with what changed, what was stated, what waits, what happened when."""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.db.models import Prefetch

from audits import integrity
from audits.actions import Actions, actions_for
from audits.corrections import differences, digest_of_proposal
from audits.entry import Entry, entry_from
from audits.limits import limits
from audits.models import Dispute, Insertion, Outcome, Proposal, Ruling, Statement
from audits.states import State, state_of, with_state
from audits.versions import entry_of
from audits.wording import LABELS, Fact, Names, facts, names, summary, words
from ledger.models import Act
from people.access import Access
from people.clock import in_words

HAPPENED: Mapping[str, str] = {
    "insertion.recorded": "Logged",
    "insertion.corrected": "Corrected",
    "logbook.imported": "Brought in with a sheet",
    "correction.proposed": "A change was proposed",
    "correction.decided": "A proposed change was decided",
    "correction.taken_back": "A proposed change was taken back",
    "statement.signed": "Answered by who was asked to sign",
    "dispute.opened": "Disputed",
    "dispute.taken_back": "The dispute was taken back",
    "dispute.answered": "A statement on the dispute",
    "dispute.ruled": "The dispute was decided",
}


@dataclass(frozen=True, slots=True)
class Change:
    """One line that differs between two versions."""

    label: str
    before: str
    after: str


@dataclass(frozen=True)
class VersionShown:
    """A version: what it says, what changed since the one before and why, who stated what about it.

    `is_whole` is false where content, columns and digest no longer agree.
    """

    insertion: Insertion
    facts: list[Fact]
    changes: list[Change]
    reason: str
    is_whole: bool


@dataclass(frozen=True)
class StatementShown:
    """What somebody signed: of which version, whether it stands, whether that version is still what was signed.

    `signed` and `iso` are the moment on the clocks of the unit, for reading and for machines, both with the zone.
    """

    statement: Statement
    of_version: int
    stands: bool
    holds: bool
    signed: str
    iso: str


@dataclass(frozen=True, slots=True)
class Event:
    """A line of the history."""

    at: datetime
    words: str
    who: str


@dataclass(frozen=True)
class ProposalShown:
    """A change that waits: what would become of the entry, who wants it and why."""

    proposal: Proposal
    changes: list[Change]
    digest: str


@dataclass(frozen=True)
class Shown:
    """Everything on the page of one entry. `version` is the latest."""

    version: Insertion
    versions: list[VersionShown]
    statements: list[StatementShown]
    state: State
    statement: Statement | None
    proposal: ProposalShown | None
    dispute: Dispute | None
    where: str
    late: bool
    in_question: bool  # who countersigned could not supervise there and then, as is known now
    summary: str
    events: list[Event]
    actions: Actions
    was_disputed: bool
    is_own: bool
    others: int

    @property
    def now(self) -> VersionShown:
        return self.versions[-1]

    @property
    def changed(self) -> list[VersionShown]:
        """The versions that changed something, the latest first."""
        return self.versions[:0:-1]

    @property
    def earlier(self) -> list[VersionShown]:
        """The versions before, the latest first."""
        return self.versions[-2::-1]


def shown(access: Access, uuid: UUID) -> Shown:
    """Raises Http404 for an entry that this user may not see. A fixed number of queries."""
    versions = _versions(access, uuid)
    latest: Any = versions[-1]  # with what `with_state` brought along
    parsed = [_entry(each) for each in versions]
    proposal = next(iter(latest.proposed), None)
    proposed = _proposed(proposal)
    known = names([each for each in (*parsed, proposed) if each is not None], access.tree)
    statement = next(iter(latest.standing), None)
    dispute = next(iter(latest.disputed), None)
    limit = limits([latest.clinician_id], now=access.tree)
    return Shown(
        version=latest,
        versions=[
            _version(each, entry, parsed[n - 1] if n else None, known, access.tree.path(each.unit_id))
            for n, (each, entry) in enumerate(zip(versions, parsed, strict=True))
        ],
        statements=[_statement(each, row) for row in reversed(versions) for each in reversed(row.statements.all())],
        state=state_of(latest),
        statement=statement,
        proposal=proposal
        and ProposalShown(proposal, _proposal_changes(parsed[-1], proposed, known), digest_of_proposal(proposal)),
        dispute=dispute,
        where=access.tree.path(latest.unit_id),
        late=limit.is_late(latest),
        in_question=Outcome.objects.filter(insertion=latest.pk, in_question=1).exists(),
        summary=summary(latest),
        events=_events(uuid),
        actions=actions_for(access, latest, statement, proposal, dispute, limit.last_day_to_sign(latest)),
        was_disputed=any(each.disputes.all() for each in versions),
        is_own=access.is_self(latest.clinician),
        others=Insertion.objects.known().filter(occasion=latest.occasion).exclude(uuid=uuid).count(),
    )


def _versions(access: Access, uuid: UUID) -> list[Insertion]:
    rows = Insertion.objects.seen_by(access, uuid)
    # Whoever may see one version may see how it came about.
    every = Insertion.objects.filter(uuid__in=rows.values("uuid")).select_related(
        "clinician", "procedure", "unit", "supervisor", "sheet", "known_from__actor"
    )
    return list(
        with_state(every)
        .prefetch_related("attempts", "disputes", Prefetch("statements", Statement.objects.order_by("pk")))
        .order_by("version")
    )


def _version(row: Insertion, entry: Entry | None, before: Entry | None, known: Names, where: str) -> VersionShown:
    return VersionShown(
        insertion=row,
        facts=facts(entry, known) if entry else [Fact("Unit", where)],
        changes=_changes(before, entry, known) if before and entry else [],
        reason=_reason(row),
        is_whole=not integrity.differences(row),
    )


def _statement(row: Statement, version: Insertion) -> StatementShown:
    local = row.signed_at.astimezone(ZoneInfo(version.zone))
    return StatementShown(
        statement=row,
        of_version=version.version,
        stands=row.known_until_id is None,
        holds=row.insertion_digest == version.digest and not integrity.differences(version),
        signed=f"{in_words(local.date())}, {local:%H:%M} {version.zone}",
        iso=local.isoformat(timespec="seconds"),
    )


def _changes(before: Entry, after: Entry, known: Names) -> list[Change]:
    return [
        Change(LABELS[each.field], words(each.field, each.before, known), words(each.field, each.after, known))
        for each in differences(before, after)
        if each.field != "technique" or not (before.attempts and after.attempts)
    ]


def _proposal_changes(standing: Entry | None, proposed: Entry | None, known: Names) -> list[Change]:
    if proposed is None or standing is None:
        return [Change(LABELS["withdrawn"], "No", "Yes")]
    return _changes(standing, proposed, known)


def _entry(row: Insertion) -> Entry | None:
    """What the version says, None where its content can no longer be read."""
    try:
        return entry_of(row)
    except (KeyError, TypeError, ValueError):
        return None


def _proposed(proposal: Proposal | None) -> Entry | None:
    if proposal is None or proposal.kind == Proposal.Kind.WITHDRAWAL:
        return None
    return entry_from(proposal.insertion.uuid, json.loads(proposal.content))


def _reason(row: Insertion) -> str:
    try:
        return str((json.loads(row.content).get("correction") or {}).get("reason", ""))
    except ValueError:
        return ""


def _events(uuid: UUID) -> list[Event]:
    acts: Iterable[Act] = Act.objects.filter(subject=uuid).select_related("actor").order_by("seq")
    return [
        Event(each.recorded_at, _happened(each), each.actor.name if each.actor else "the register") for each in acts
    ]


def _happened(act: Act) -> str:
    said = act.facts
    signed = said.get("statement", {}).get("meaning")
    if act.kind == "statement.signed" and signed:
        return f"{signed[:1].upper()}{signed[1:]}"
    if act.kind == "correction.decided":
        return "A proposed change was agreed" if said.get("agreed") else "A proposed change was refused"
    if act.kind == "dispute.ruled":
        outcome = dict(Ruling.Outcome.choices).get(said.get("outcome", ""))
        return f"{HAPPENED[act.kind]}: {outcome.lower()}" if outcome else HAPPENED[act.kind]
    return HAPPENED.get(act.kind, act.kind)
