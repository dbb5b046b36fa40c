"""The narrow table: one row of integers for each insertion version known now, worked out by one pure function.

`refresh` keeps it current inside the transaction that changes a cause: an entry, a statement, a dispute, or a fact on
which somebody's supervising rests. It can be thrown away: `rebuild` makes the same rows again. A dispute's time limit
is no column, since it passes without an act: `measures` applies it for the day that is asked about.
"""

from collections.abc import Collection, Iterable, Iterator
from datetime import date, datetime
from typing import Any, NamedTuple
from uuid import UUID

from django.db import transaction
from django.db.models import FilteredRelation, Q, QuerySet

from audits.bulk import insert_rows
from audits.counting import State, counts, is_success
from audits.figures import Row, Safety, Stratum, event_bits
from audits.holding import Holdings, holdings
from audits.models import Insertion, Outcome, Result, Scored, Statement
from ledger.models import Head
from people.models import Clinician
from people.stale import Change

SUPERVISED = (Statement.Kind.IN_ROOM, Statement.Kind.NEARBY)
CHUNK = 2000
_TIE = (1 << 63) - 1
_DIFFICULT = {"": 0, Scored.BEFORE.value: Stratum.DIFFICULT, Scored.AFTER.value: Stratum.DIFFICULT_AFTER}


class Version(NamedTuple):
    """One version of an insertion with what stands on it: all that its row depends on, but for eligibility."""

    insertion: int
    uuid: UUID
    clinician: int
    procedure: int
    unit: int
    performed_at: datetime
    performed_on: date
    setting: str
    supervisor: int | None
    emergency: bool
    result: str
    punctures: int
    others_before: int
    taken_over: bool
    difficult: str
    events: str
    withdrawn: bool
    source: str
    partial: bool
    statement: str | None = None
    signed_by: int | None = None
    dispute: str | None = None
    limit_on: date | None = None
    settled: str | None = None  # what was decided about a countersignature that was in question


_COLUMNS = (
    "pk", "uuid", "clinician_id", "procedure_id", "unit_id", "performed_at", "performed_on", "setting", "supervisor_id",
    "emergency", "result", "punctures", "others_before", "taken_over", "difficult", "events", "withdrawn", "source",
    "partial",
)  # fmt: skip


def state(version: Version, *, eligible: bool = True, on: date | None = None) -> State:
    """What of a version decides what it counts for; arguments as those of `row_of`."""
    return State(
        simulation=version.setting == Insertion.Setting.SIMULATION,
        attempted=version.result != Result.NO_ATTEMPT,
        withdrawn=version.withdrawn,
        emergency=version.emergency,
        paper=version.source == Insertion.Source.PAPER,
        partial=version.partial,
        statement=version.statement or "",
        eligible=eligible,
        settled=version.settled or "",
        dispute=version.dispute or "",
        overdue=on is not None and version.limit_on is not None and version.limit_on <= on,
    )


def row_of(version: Version, *, eligible: bool = True, on: date | None = None) -> Row:
    """The row of a version. `eligible`: whether who signed could supervise; `on`: the day for a dispute's limit.

    Without a day no dispute is past its limit, as the table stores it.
    """
    count = counts(state(version, eligible=eligible, on=on))
    rescue = Stratum.RESCUE if version.others_before else 0
    return Row(
        clinician=version.clinician,
        procedure=version.procedure,
        time=int(version.performed_at.timestamp()),
        tie=version.uuid.int & _TIE,
        insertion=version.insertion,
        day=version.performed_on.toordinal(),
        in_rate=count.in_rate,
        success=int(is_success(first_time=version.result == Result.FIRST_TIME, taken_over=version.taken_over)),
        punctures=version.punctures,
        total=version.punctures + version.others_before,
        events=event_bits(version.events.split(",")) if version.events else 0,
        safety=count.safety,
        credit=count.credit,
        in_question=count.in_question,
        volume=count.volume,
        partial=count.partial,
        supervisor=version.supervisor or 0,
        unit=version.unit,
        stratum=rescue | _DIFFICULT[version.difficult],
    )


def returned_to_safety(row: Row) -> Row:
    """The row of an entry whose inserter is disputed, once nobody decided it in time."""
    return row._replace(safety=Safety.YES, in_rate=int(row.punctures > 0 and not row.partial))


def versions(insertions: QuerySet[Insertion], known: int | None = None) -> QuerySet[Insertion, tuple[Any, ...]]:
    """These insertions as known now or at an act, as tuples for `Version`, with statement and open dispute then."""
    return (
        insertions.known(known)  # type: ignore[attr-defined]
        .annotate(
            _statement=FilteredRelation("statements", condition=_known(known, "statements__")),
            _dispute=FilteredRelation("disputes", condition=_known(known, "disputes__")),
            _settled=FilteredRelation(
                "_statement__reconsidered", condition=_known(known, "_statement__reconsidered__")
            ),
        )
        .values_list(
            *_COLUMNS,
            "_statement__kind",
            "_statement__by",
            "_dispute__about",
            "_dispute__limit_on",
            "_settled__outcome",
        )
    )


def rows(found: Iterable[Version], *, facts: Holdings, on: date | None = None) -> Iterator[Row]:
    """The rows of versions, each with whether who signed could supervise, by these facts."""
    for version in found:
        eligible = True
        if version.statement in SUPERVISED and version.signed_by is not None:
            eligible = bool(
                facts.may_supervise(
                    version.signed_by, unit=version.unit, procedure=version.procedure, on=version.performed_on
                )
            )
        yield row_of(version, eligible=eligible, on=on)


def computed(insertions: QuerySet[Insertion], known: int | None = None, *, on: date | None = None) -> list[Row]:
    """The rows of these insertions as known now or at an act."""
    found = [Version(*values) for values in versions(insertions, known)]
    signers = {each.signed_by for each in found if each.statement in SUPERVISED and each.signed_by is not None}
    return (
        list(rows(found, facts=holdings(signers, known=known), on=on)) if signers else [row_of(v, on=on) for v in found]
    )


def refresh(uuids: Collection[UUID]) -> frozenset[tuple[int, int]]:
    """Bring the rows of these entries up to date, inside the transaction that changed them.

    Returns (clinician, procedure) of each row that changed, came or went.
    """
    changed: set[tuple[int, int]] = set()
    ordered = list(uuids)
    for start in range(0, len(ordered), CHUNK):
        changed |= _replace(Insertion.objects.filter(uuid__in=ordered[start : start + CHUNK]))
    return frozenset(changed)


def reconsider(
    users: Collection[int],
    *,
    procedure: int | None = None,
    from_day: date | None = None,
    until_day: date | None = None,
    units: Collection[int] = (),
) -> frozenset[tuple[int, int]]:
    """Bring up to date what these accounts countersigned (or, given units, what was done there) on these days.

    To be called inside the transaction that changes a fact on which supervising rests. Returns what changed.
    """
    signed = Statement.objects.known().filter(kind__in=SUPERVISED, insertion__known_until=None)
    signed = signed.filter(insertion__unit__in=units) if units else signed.filter(by__in=users)
    if procedure is not None:
        signed = signed.filter(insertion__procedure=procedure)
    if from_day is not None:
        signed = signed.filter(insertion__performed_on__gte=from_day)
    if until_day is not None:
        signed = signed.filter(insertion__performed_on__lt=until_day)
    return refresh(list(signed.values_list("insertion__uuid", flat=True)))


def touched_by_supervising(change: Change) -> frozenset[int]:
    """For the registry of `people.stale`: whose entries count otherwise since facts about supervisors changed."""
    if change.units:
        changed = reconsider((), units=change.units)
    else:
        users = set(
            Clinician.objects.filter(pk__in=change.clinicians, user__isnull=False).values_list("user", flat=True)
        )
        if change.user is not None:
            users.add(change.user)
        changed = reconsider(users, procedure=change.procedure) if users else frozenset()
    return frozenset(clinician for clinician, _ in changed)


def rebuild() -> int:
    """Make the whole table again from the evidence, in constant memory; return how many rows were wrong.

    Chunk by chunk, each under the ledger's lock, so that writers wait for one chunk at most.
    """
    return sum(_write(old, new) for old, new in _chunks())


def wrong() -> list[int]:
    """The keys of the versions whose row is not what the evidence gives: missing, left over or different."""
    return sorted(each for old, new in _chunks() for each in old.keys() | new.keys() if old.get(each) != new.get(each))


def _chunks() -> Iterator[tuple[dict[int, Row], dict[int, Row]]]:
    """(rows stored, rows computed) by version, in order of the keys; each pair inside a transaction of its own."""
    after, seen, facts = 0, -1, None
    while True:
        with transaction.atomic():
            head = Head.objects.select_for_update().get(pk=1)
            if facts is None or head.seq != seen:
                seen, facts = head.seq, holdings()
            here = Insertion.objects.filter(pk__gt=after).order_by("pk")
            found = [Version(*values) for values in versions(here)[:CHUNK]]
            stored = Outcome.objects.filter(insertion__gt=after)
            if len(found) == CHUNK:
                stored = stored.filter(insertion__lte=found[-1].insertion)
            yield _by_version(stored), {row.insertion: row for row in rows(found, facts=facts)}
        if len(found) < CHUNK:
            return
        after = found[-1].insertion


def _replace(insertions: QuerySet[Insertion]) -> set[tuple[int, int]]:
    old = _by_version(Outcome.objects.filter(insertion__in=insertions.values("pk")))
    new = {row.insertion: row for row in computed(insertions)}
    _write(old, new)
    differing = {each for each in old.keys() | new.keys() if old.get(each) != new.get(each)}
    return {
        (row.clinician, row.procedure)
        for each in differing
        for row in (old.get(each), new.get(each))
        if row is not None
    }


def _write(old: dict[int, Row], new: dict[int, Row]) -> int:
    gone = [each for each, row in old.items() if new.get(each) != row]
    come = [row for each, row in new.items() if old.get(each) != row]
    if gone:
        Outcome.objects.filter(insertion__in=gone).delete()
    if come:
        insert_rows(Outcome, Row._fields, come)
    return len(set(gone) | {row.insertion for row in come})


def _by_version(stored: QuerySet[Outcome]) -> dict[int, Row]:
    return {row.insertion: row for row in map(Row._make, stored.values_list(*Row._fields))}


def _known(known: int | None, prefix: str) -> Q:
    if known is None:
        return Q(**{f"{prefix}known_until": None})
    later = Q(**{f"{prefix}known_until": None}) | Q(**{f"{prefix}known_until__gt": known})
    return later & Q(**{f"{prefix}known_from__lte": known})
