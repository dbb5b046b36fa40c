"""Writing acts, and finding them again."""

import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import connection, transaction
from django.db.models import QuerySet

from ledger import clock
from ledger.canonical import canonical, digest
from ledger.models import Act, Head, Payload, Register

ALGORITHM = "sha256"
KIND = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)*")


@dataclass
class Recording:
    """An act while its rows are being written: `seq` and `recorded_at` are fixed, the rest may be set until the end."""

    seq: int
    recorded_at: datetime
    actor: AbstractBaseUser | None
    kind: str
    subject: UUID | None = None
    content: dict[str, Any] = field(default_factory=dict)
    personal: dict[str, Any] | None = None


@contextmanager
def recording(*, actor: AbstractBaseUser | None, kind: str, subject: UUID | None = None) -> Iterator[Recording]:
    """Take the ledger's lock and the next number; append one act when the block ends well, nothing when it raises.

    Take domain locks before, and write rows with `known_from_id=rec.seq` inside. `rec.content` is hashed into the
    chain; of `rec.personal`, which stands beside it, only a salted hash is. No actor means the register itself.
    Raises RuntimeError for a second act in one transaction, ValueError for content without a canonical text.
    """
    if not KIND.fullmatch(kind):
        raise ValueError(f"kind {kind!r} is not lower-case words joined by '_' or '.'")
    if actor is not None and actor.pk is None:
        raise ValueError(f"actor {actor!r} has no account")
    with transaction.atomic():
        _claim_transaction()
        head = _locked_head()
        now = clock.now()
        rec = Recording(
            seq=head.seq + 1,
            recorded_at=max(now, head.recorded_at or now),
            actor=actor,
            kind=kind,
            subject=subject,
        )
        yield rec
        _append(rec, head)


def head() -> int:
    """The number of the last act, 0 if there is none."""
    return Head.objects.values_list("seq", flat=True).get(pk=1)


def number_at(moment: datetime) -> int:
    """What 'known at this moment' means: the number of the last act recorded at or before it, 0 if none."""
    return (
        Act.objects.filter(recorded_at__lte=moment)
        .order_by("-recorded_at", "-seq")
        .values_list("seq", flat=True)
        .first()
        or 0
    )


def acts_about(subject: UUID) -> QuerySet[Act]:
    """The acts about one subject, first to last."""
    return history(subject)


def history(*subjects: UUID) -> QuerySet[Act]:
    """The acts about any of these subjects, first to last, with their actors."""
    return Act.objects.filter(subject__in=subjects).select_related("actor").order_by("seq")


def header(act: Act, *, personal: str | None) -> dict[str, Any]:
    """The part of an act's content that repeats its columns; `personal` is the salted hash of its personal text."""
    return {
        "actor": act.actor_id,
        "algorithm": act.algorithm,
        "kind": act.kind,
        "personal": personal,
        "previous": act.previous,
        "recorded_at": instant(act.recorded_at),
        "seq": act.seq,
        "subject": str(act.subject) if act.subject else None,
    }


def instant(moment: datetime) -> str:
    """A moment as text: UTC, to the microsecond."""
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def salted(salt: str, body: str) -> str:
    """The hash by which the chain knows a personal text without holding it."""
    return digest(salt + body)


def _append(rec: Recording, head: Head) -> None:
    if "act" in rec.content:
        raise ValueError("'act' is the key of the act's own header; choose another")
    act = Act(
        seq=rec.seq,
        recorded_at=rec.recorded_at,
        actor_id=rec.actor.pk if rec.actor else None,
        kind=rec.kind,
        subject=rec.subject,
        previous=head.hash,
        algorithm=ALGORITHM,
    )
    payload = None
    if rec.personal is not None:
        payload = Payload(act_id=rec.seq, salt=secrets.token_hex(32), body=canonical(rec.personal))
    personal = salted(payload.salt, payload.body) if payload else None
    act.content = canonical({**rec.content, "act": header(act, personal=personal)})
    act.hash = digest(act.content)
    act.save(force_insert=True)
    if payload:
        payload.save(force_insert=True)
    Head.objects.filter(pk=1).update(seq=act.seq, hash=act.hash, recorded_at=act.recorded_at)
    if act.seq == 1:
        # From the first record on, nobody can declare this register a demo.
        Register.objects.filter(pk=1, demo=None).update(demo=False)


def _locked_head() -> Head:
    head = Head.objects.select_for_update().filter(pk=1).first()
    if head is None:
        raise RuntimeError("The ledger has no head: run migrate, then verify_ledger.")
    return head


def _claim_transaction() -> None:
    """Refuse a second act in the same transaction, also where Django's TestCase wraps several in one."""
    blocks = connection.atomic_blocks
    root = next(place for place, block in enumerate(blocks) if not getattr(block, "_from_testcase", False))
    # The outermost block has no savepoint, so the ids begin with the second block.
    savepoint = connection.savepoint_ids[root - 1] if root else None
    for savepoints, callback, *_ in connection.run_on_commit:
        if callback is _recorded and (root == 0 or (savepoint and savepoint in savepoints)):
            raise RuntimeError("One act for each transaction: this one already has its act.")
    transaction.on_commit(_recorded)


def _recorded() -> None:
    """A mark in the queue of the transaction: Django drops it with the transaction or savepoint that it stands in."""
