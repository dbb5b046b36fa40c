"""The one way into the insertion log: form, phone queue and sheet are checked and stored here, one entry or many.

`check` says of each entry whether it can be stored, is stored already, differs from what is stored, or must be mended;
it asks a fixed number of queries for any number of entries. `store` writes what is ready inside an open act.
`record_insertion` is both for one.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from uuid import UUID

from django.db import transaction

from audits.bulk import insert_rows
from audits.entry import Entry, problems, sent
from audits.figures import Row
from audits.models import Draft, Insertion, Outcome, Sheet
from audits.outcomes import row_of
from audits.resolving import Claim, Context, Lookups, Ready, Source, in_chunks
from audits.versions import NewVersion, fresh_codes, version_of, write
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import stale
from people.access import Access, NotPermitted, Right, access_of
from people.models import Clinician, User
from people.problems import Problem, Problems
from people.spans import lock

__all__ = [
    "Checked", "Claim", "Conflict", "Context", "Differs", "Ready", "Refused", "Source", "Stored", "check",
    "record_insertion", "said_before", "store", "touch",
]  # fmt: skip


class Conflict(Exception):  # noqa: N818
    """An entry with this UUID is stored and says something else. Answered with 409; a change is a correction."""

    def __init__(self, uuid: UUID) -> None:
        self.uuid = uuid
        super().__init__(f"An entry {uuid} is stored already and says something else. Correct that one instead.")


@dataclass(frozen=True, slots=True)
class Refused:
    entry: Entry
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True)
class Differs:
    """An entry whose UUID is stored with other content: a correction may be meant. `insertion` is the version now."""

    entry: Entry
    insertion: int


@dataclass(frozen=True, slots=True)
class Checked:
    """What became of the entries, each in exactly one list, in the order in which they came."""

    ready: list[Ready]
    already: list[Entry]
    differs: list[Differs]
    refused: list[Refused]


@dataclass(frozen=True, slots=True)
class Stored:
    """Keys of the new versions by UUID, and their digests in the order in which the entries came."""

    insertions: Mapping[UUID, int]
    digests: tuple[str, ...]


def check(entries: Sequence[Entry], *, context: Context) -> Checked:
    """Say of each entry what can be done with it. Raises ValueError for what no sender may send (see `Entry`)."""
    found = Checked([], [], [], [])
    lookups = Lookups(entries, context)
    seen: dict[UUID, Entry] = {}
    for entry in entries:
        earlier = seen.get(entry.uuid)
        seen[entry.uuid] = entry
        stored = lookups.stored.get(entry.uuid)
        if stored is not None:
            if said_before(entry, stored.contents):
                found.already.append(entry)
            else:
                found.differs.append(Differs(entry, stored.now))
        elif earlier is not None:
            if earlier == entry:
                found.already.append(entry)
            else:
                text = "Two entries with the same identifier say different things."
                found.refused.append(Refused(entry, (Problem("uuid", text),)))
        else:
            wrong = problems(entry, from_sheet=context.is_sheet)
            ready = None if wrong else lookups.resolve(entry, wrong)
            if ready is None:
                found.refused.append(Refused(entry, tuple(wrong)))
            else:
                found.ready.append(ready)
    return found


def store(checked: Checked, *, rec: Recording, sheet: Sheet | None = None) -> Stored:
    """Write the entries that are ready, with attempts, outcomes and outbox rows, inside an open act.

    Raises Conflict if one of them was stored since it was checked.
    """
    ready = checked.ready
    raced = next(in_chunks(Insertion.objects.all(), "uuid", [each.entry.uuid for each in ready], "uuid"), None)
    if raced is not None:
        raise Conflict(raced[0])
    codes = fresh_codes(sum(not each.occasion for each in ready))
    new = [
        NewVersion(
            ready=each,
            occasion=each.occasion or next(codes),
            entered_at=rec.recorded_at,
            sheet=None if sheet is None else sheet.pk,
        )
        for each in ready
    ]
    written = write(new, rec)
    insert_rows(Outcome, Row._fields, (row_of(version_of(*pair)) for pair in zip(written, new, strict=True)))
    touch([(each.clinician, each.procedure) for each in ready], rec)
    return Stored({each.uuid: each.insertion for each in written}, tuple(each.digest for each in written))


def record_insertion(*, actor: User, entry: Entry) -> Insertion:
    """Log one insertion: one's own, or on behalf of somebody as an educator of the unit. What is stored already stays.

    Raises NotPermitted, Problems, Conflict.
    """
    source = _source(access_of(actor), entry)
    for _ in range(2):
        checked = check([entry], context=Context(source))
        if checked.already:
            break
        if checked.differs:
            raise Conflict(entry.uuid)
        if checked.refused:
            raise Problems(checked.refused[0].problems)
        try:
            _record(actor, checked)
            break
        except Conflict:
            # Sent twice at the same time: look again at what the other one stored.
            continue
    return Insertion.objects.known().get(uuid=entry.uuid)


def said_before(entry: Entry, contents: Iterable[str]) -> bool:
    """Whether any of these stored contents says exactly what this entry says."""
    # The canonical text of a value stands verbatim inside that of what holds it, and quotes inside strings are escaped.
    said = f'"sent":{canonical(sent(entry))}'
    return any(said in content for content in contents)


def touch(pairs: Iterable[tuple[int, int]], rec: Recording) -> None:
    """Put (clinician, procedure) pairs into the outbox, with whoever else an act of this kind touches."""
    by_procedure: dict[int, set[int]] = defaultdict(set)
    for clinician, procedure in pairs:
        by_procedure[procedure].add(clinician)
    for procedure, clinicians in sorted(by_procedure.items()):
        stale.touch(clinicians, cause=rec.kind, act=rec.seq, procedure=procedure)


@transaction.atomic
def _record(actor: User, checked: Checked) -> None:
    (ready,) = checked.ready
    lock(Clinician(pk=ready.clinician))
    with recording(actor=actor, kind="insertion.recorded", subject=ready.entry.uuid) as rec:
        stored = store(checked, rec=rec)
        rec.content |= {
            "clinician": str(ready.entry.clinician),
            "digest": stored.digests[0],
            "source": str(ready.source),
            "version": 1,
        }
        Draft.objects.filter(uuid=ready.entry.uuid, user=actor).delete()


def _source(access: Access, entry: Entry) -> str:
    if access.clinician is not None and access.clinician.uuid == entry.clinician:
        return Source.FORM
    unit = next((node.id for node in access.tree.nodes.values() if node.uuid == entry.unit), None)
    if unit is None or not access.may(Right.LOG_ON_BEHALF, unit):
        raise NotPermitted(f"{access.user.pk} may not log for clinician {entry.clinician} on unit {entry.unit}")
    return Source.ON_BEHALF
