"""What is stored already of the people and days of a sheet: entries of earlier sheets, and entries of the form."""

import json
from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from hashlib import blake2b
from typing import Any
from uuid import UUID

from django.db.models import Q, QuerySet

from audits.entry import Entry, entry_from, sent
from audits.models import Attempt, Insertion, Proposal
from audits.sheet_matching import Pool, Stored
from ledger.canonical import canonical

Source = Insertion.Source
FROM_SHEETS = (Source.SHEET, Source.PAPER)
FROM_FORMS = (Source.FORM, Source.ON_BEHALF)
_SOON_SECONDS = 600
_FEW = 2
_MANY = 500


def digest_of_text(text: str) -> bytes:
    return blake2b(text.encode(), digest_size=16).digest()


def digest_of_entry(entry: Entry) -> bytes:
    """Stands for all that an entry says, its UUID left out."""
    return digest_of_text(canonical(sent(entry)))


@dataclass(frozen=True, eq=False)
class FromSheets:
    """Entries of earlier sheets by person and day, with what hangs on them."""

    pools: Mapping[Pool, list[Stored]]
    waiting: frozenset[UUID]  # a proposal is open
    partial: frozenset[UUID]  # not complete for their day, or before the start day
    units: Mapping[UUID, int]

    def said(self, uuid: UUID) -> Entry:
        """What the latest version says."""
        text = Insertion.objects.filter(uuid=uuid).order_by("-version").values_list("content", flat=True)[0]
        return entry_from(uuid, json.loads(text)["sent"])


def from_sheets(clinicians: Collection[int], first: date, last: date) -> FromSheets:
    """Read them for these people and days. Two queries."""
    pools: dict[Pool, list[Stored]] = defaultdict(list)
    by_uuid: dict[UUID, Stored] = {}
    partial: set[UUID] = set()
    # Versions in order, so that unit and day are those of the latest.
    days: dict[UUID, Pool] = {}
    columns = ("uuid", "clinician", "performed_on", "unit", "withdrawn", "partial", "source", "content")
    for uuid, clinician, day, unit, withdrawn, is_partial, source, content in (
        _of(Insertion.objects.filter(source__in=FROM_SHEETS).order_by("version"), clinicians, first, last)
        .values_list(*columns)
        .iterator(2000)
    ):
        entry = by_uuid.setdefault(uuid, Stored(uuid, unit))
        entry.unit, entry.withdrawn = unit, withdrawn
        entry.digests.add(digest_of_text(_sent_text(content)))
        days[uuid] = (clinician, day.toordinal())
        (partial.add if is_partial or source == Source.PAPER else partial.discard)(uuid)
    for uuid, pool in days.items():
        pools[pool].append(by_uuid[uuid])
    waiting: set[UUID] = set()
    proposals = Proposal.objects.filter(insertion__source__in=FROM_SHEETS, kind=Proposal.Kind.CORRECTION)
    for uuid, content, decided in proposals.values_list("insertion__uuid", "content", "decided"):
        if uuid in by_uuid:
            # Whoever refused a change need not refuse it again next month.
            by_uuid[uuid].digests.add(digest_of_text(content))
            if decided is None:
                waiting.add(uuid)
    return FromSheets(pools, frozenset(waiting), frozenset(partial), {each: by_uuid[each].unit for each in by_uuid})


def is_nearly(before: Entry, after: Entry) -> bool:
    """Whether one is likely the other, corrected: they differ in two things at most."""
    pairs = (
        (before.performed, after.performed),
        (before.procedure, after.procedure),
        (before.attempts, after.attempts),
        ((before.supervisor, before.nearness, before.emergency), (after.supervisor, after.nearness, after.emergency)),
        (sorted(before.events or ()), sorted(after.events or ())),
        (before.others_before, after.others_before),
        (before.simulation, after.simulation),
        (before.comment, after.comment),
    )
    return sum(one != other for one, other in pairs) <= _FEW


class OnForms:
    """Entries that people made themselves, so that a sheet that holds them too does not count them twice."""

    def __init__(self, clinicians: Collection[int], first: date, last: date) -> None:
        rows = _of(Insertion.objects.known().filter(source__in=FROM_FORMS, withdrawn=False), clinicians, first, last)
        firsts = {
            insertion: (gauge, site)
            for insertion, gauge, site in Attempt.objects.filter(insertion__in=rows, ordinal=1).values_list(
                "insertion", "gauge", "site"
            )
        }
        self._by_pool: dict[Pool, list[tuple[int, datetime, bool, Any]]] = defaultdict(list)
        for pk, clinician, day, at, time_known in rows.values_list(
            "pk", "clinician", "performed_on", "performed_at", "time_known"
        ):
            self._by_pool[clinician, day.toordinal()].append((pk, at, time_known, firsts.get(pk)))

    def __bool__(self) -> bool:
        return bool(self._by_pool)

    def take(self, pool: Pool, entry: Entry, at: datetime) -> str:
        """'same' if an entry of that day looks like it (ten minutes, gauge, site), 'perhaps' if no time tells, else ''.

        An entry is taken for one row only.
        """
        first = (entry.attempts[0].gauge, entry.attempts[0].site) if entry.attempts else None
        perhaps = ""
        for place, (_, when, time_known, theirs) in enumerate(self._by_pool.get(pool, ())):
            if theirs != first:
                continue
            if not (time_known and entry.time_known):
                perhaps = "perhaps"
            elif abs((when - at).total_seconds()) <= _SOON_SECONDS:
                del self._by_pool[pool][place]
                return "same"
        return perhaps


def _of(rows: QuerySet[Insertion], clinicians: Collection[int], first: date, last: date) -> QuerySet[Insertion]:
    whose = Q() if len(clinicians) > _MANY else Q(clinician__in=clinicians)
    return rows.filter(whose, performed_on__range=(first, last))


def _sent_text(content: str) -> str:
    """The canonical text of what was sent, cut out of that of its version: keys are sorted, 'source' follows 'sent'."""
    return content[content.index('"sent":') + 7 : content.rindex(',"source":"')]
