"""Writing versions of insertions: the content that is signed, the rows that hold it, in bulk."""

import json
import secrets
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from audits.bulk import insert_rows
from audits.entry import Entry, entry_from, sent
from audits.models import Attempt, Insertion
from audits.outcomes import Version
from audits.resolving import Ready, in_chunks
from ledger.acts import Recording, instant
from ledger.canonical import canonical, digest

ALPHABET = "23456789BCDFGHJKMNPQRSTVWXZ"  # nothing that reads like something else, and no vowels: no words
CODE_LENGTH = 8
_RANDOM = secrets.SystemRandom()


@dataclass(frozen=True, slots=True, kw_only=True)
class NewVersion:
    """A version to be written. `correction` names why it follows: reason, and digest of the version before."""

    ready: Ready
    occasion: str
    entered_at: datetime
    version: int = 1
    withdrawn: bool = False
    sheet: int | None = None
    correction: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Written:
    """A version that was written: its key, digest and UUID."""

    insertion: int
    uuid: UUID
    digest: str


def write(new: Sequence[NewVersion], rec: Recording) -> list[Written]:
    """Insert the versions with their attempts, in one open act; outcomes are the caller's. Same order as given."""
    digests: list[str] = []

    def rows() -> Iterator[tuple[Any, ...]]:
        for each in new:
            text = canonical(content_of(each))
            digests.append(digest(text))
            yield _columns(each, text, digests[-1], rec)

    insert_rows(Insertion, _INSERTION, rows())
    keys = dict(Insertion.objects.filter(known_from_id=rec.seq).values_list("uuid", "pk"))
    insert_rows(
        Attempt, _ATTEMPT, (row for each in new for row in _attempts(keys[each.ready.entry.uuid], each.ready.entry))
    )
    uuids = [each.ready.entry.uuid for each in new]
    return [Written(keys[uuid], uuid, digest) for uuid, digest in zip(uuids, digests, strict=True)]


def content_of(new: NewVersion) -> dict[str, Any]:
    """All that a version says, as plain data: what was sent, and what was worked out from it. Its text is signed."""
    ready, entry = new.ready, new.ready.entry
    return {
        "correction": dict(new.correction) if new.correction is not None else None,
        "difficult": entry.difficult,
        "entered_at": instant(new.entered_at),
        "occasion": new.occasion,
        "others_before": ready.others_before,
        "partial": ready.partial,
        "performed_at": instant(ready.performed_at),
        "performed_on": ready.performed_on.isoformat(),
        "procedure": ready.procedure_code,
        "punctures": len(entry.attempts),
        "result": str(entry.result),
        "sent": sent(entry),
        "source": str(ready.source),
        "taken_over": entry.taken_over,
        "uuid": str(entry.uuid),
        "version": new.version,
        "withdrawn": new.withdrawn,
        "zone": ready.zone,
    }


def version_of(written: Written, new: NewVersion) -> Version:
    """A version just written, with nothing standing on it, as the outcomes see it."""
    ready, entry = new.ready, new.ready.entry
    return Version(
        insertion=written.insertion,
        uuid=entry.uuid,
        clinician=ready.clinician,
        procedure=ready.procedure,
        unit=ready.unit,
        performed_at=ready.performed_at,
        performed_on=ready.performed_on,
        setting=_setting(entry),
        supervisor=ready.supervisor,
        emergency=entry.emergency,
        result=entry.result,
        punctures=len(entry.attempts),
        others_before=ready.others_before,
        taken_over=entry.taken_over,
        difficult=entry.difficult,
        events=_events(entry),
        withdrawn=new.withdrawn,
        source=ready.source,
        partial=ready.partial,
    )


def entry_of(insertion: Insertion) -> Entry:
    """What the sender of this version said. Raises ValueError (KeyError) for a version without its content."""
    return entry_from(insertion.uuid, json.loads(insertion.content)["sent"])


def ready_of(insertion: Insertion) -> Ready:
    """A version as it stands, to be written again."""
    return Ready(
        entry=entry_of(insertion),
        clinician=insertion.clinician_id,
        clinician_user=insertion.clinician_user_id,
        unit=insertion.unit_id,
        procedure=insertion.procedure_id,
        procedure_code=insertion.procedure.code,
        supervisor=insertion.supervisor_id,
        performed_at=insertion.performed_at,
        performed_on=insertion.performed_on,
        zone=insertion.zone,
        source=insertion.source,
        partial=insertion.partial,
        occasion=insertion.occasion,
        others_before=insertion.others_before,
    )


def fresh_codes(count: int) -> Iterator[str]:
    """Codes of occasions that no insertion has."""
    codes: set[str] = set()
    while len(codes) < count:
        more = {"".join(_RANDOM.choices(ALPHABET, k=CODE_LENGTH)) for _ in range(count - len(codes))}
        taken = {code for (code,) in in_chunks(Insertion.objects.all(), "occasion", sorted(more), "occasion")}
        codes |= more - taken
    return iter(codes)


_ATTEMPT = ("insertion_id", "ordinal", "site", "side", "gauge", "technique", "result", "reason")
_INSERTION = (
    "uuid", "version", "clinician_id", "clinician_user_id", "procedure_id", "unit_id", "occasion", "performed_at",
    "zone", "performed_on", "time_known", "entered_at", "setting", "supervisor_id", "nearness", "emergency", "result",
    "punctures", "others_before", "taken_over", "difficult", "events", "withdrawn", "source", "sheet_id", "partial",
    "content", "digest", "known_from_id", "known_until_id",
)  # fmt: skip


def _columns(new: NewVersion, text: str, digest: str, rec: Recording) -> tuple[Any, ...]:
    """The values of `_INSERTION`, in its order."""
    ready, entry = new.ready, new.ready.entry
    return (
        entry.uuid, new.version, ready.clinician, ready.clinician_user, ready.procedure, ready.unit, new.occasion,
        ready.performed_at, ready.zone, ready.performed_on, entry.time_known, new.entered_at, _setting(entry),
        ready.supervisor, entry.nearness, entry.emergency, str(entry.result), len(entry.attempts), ready.others_before,
        entry.taken_over, entry.difficult, _events(entry), new.withdrawn, str(ready.source), new.sheet, ready.partial,
        text, digest, rec.seq, None,
    )  # fmt: skip


def _attempts(insertion: int, entry: Entry) -> Iterator[tuple[Any, ...]]:
    for ordinal, each in enumerate(entry.attempts, start=1):
        yield insertion, ordinal, each.site, each.side, each.gauge, each.technique, each.result, each.reason


def _setting(entry: Entry) -> str:
    return str(Insertion.Setting.SIMULATION if entry.simulation else Insertion.Setting.PATIENT)


def _events(entry: Entry) -> str:
    return ",".join(sorted(entry.events or ()))
