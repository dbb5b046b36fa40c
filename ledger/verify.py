"""Reading the whole chain again, to find what was altered, dropped, put in, put elsewhere or cut off."""

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from django.db.models import QuerySet

from ledger.acts import ALGORITHM, header, salted
from ledger.canonical import canonical, digest
from ledger.guarding import missing_guards
from ledger.models import Act, Head


@dataclass(frozen=True)
class Problem:
    """What does not hold, and at which act, where one can be named."""

    seq: int | None
    reason: str


@dataclass(frozen=True)
class Checkpoint:
    """The end of the chain as somebody outside noted it: only this finds a tail cut off together with the head."""

    seq: int
    hash: str


@dataclass(frozen=True)
class Report:
    """`acts` read, `head`: the hash of the last one, and every problem found, in the order of the chain."""

    acts: int
    head: str
    problems: tuple[Problem, ...]

    @property
    def holds(self) -> bool:
        return not self.problems

    @property
    def first_bad(self) -> int | None:
        return min((problem.seq for problem in self.problems if problem.seq is not None), default=None)


Verifier = Callable[[], Iterable[Problem]]
_verifiers: dict[str, Verifier] = {}


def register(name: str, verifier: Verifier) -> None:
    """Have an app's evidence checked against its acts: the verifier yields a Problem for each row that differs."""
    if _verifiers.get(name, verifier) is not verifier:
        raise ValueError(f"there is a verifier named {name!r} already")
    _verifiers[name] = verifier


def verify(*, expect: Checkpoint | None = None) -> Report:
    """Check the chain, its head, the personal texts, the guard, and what the apps registered.

    Reads in order and holds no lock, so that writers go on meanwhile. Stops at the first break of the chain: after it
    nothing can be vouched for.
    """
    chain = _Chain(expect)
    problems = list(chain.problems())
    problems += [Problem(None, f"the guard is missing: {missing}") for missing in missing_guards()]
    for name, verifier in sorted(_verifiers.items()):
        problems += [Problem(found.seq, f"{name}: {found.reason}") for found in verifier()]
    return Report(acts=chain.seq, head=chain.hash, problems=tuple(problems))


def with_acts(
    rows: QuerySet[Any], acts: QuerySet[Act], *, by: str = "known_from_id"
) -> Iterator[tuple[int, Act | None, Iterator[Any]]]:
    """Rows beside the acts that brought them in: (number, that act or None if it is none of `acts`, its rows).

    In the order of the ledger; an act of `acts` without rows comes too. `by` is the column that names the act. One act
    and one portion of rows are held at a time, so that it costs no more memory for a large register.
    """
    acting = iter(acts.order_by("seq").iterator(chunk_size=200))
    act = next(acting, None)
    in_order = rows.order_by(by, "pk").iterator(chunk_size=1000)
    for seq, of_act in groupby(in_order, key=lambda row: getattr(row, by)):
        while act is not None and act.seq < seq:
            yield act.seq, act, iter(())
            act = next(acting, None)
        if act is not None and act.seq == seq:
            yield seq, act, of_act
            act = next(acting, None)
        else:
            yield seq, None, of_act
    while act is not None:
        yield act.seq, act, iter(())
        act = next(acting, None)


def personal_of(act: Act) -> dict[str, Any]:
    """The personal text beside an act (select its `payload` with it); empty where it was destroyed, or never was."""
    payload = getattr(act, "payload", None)
    return json.loads(payload.body) if payload is not None else {}


class _Chain:
    """A walk along the chain: `seq` and `hash` are those of the last act that held."""

    def __init__(self, expect: Checkpoint | None) -> None:
        self.seq = 0
        self.hash = ""
        self.expect = expect

    def problems(self) -> Iterator[Problem]:
        seen = None
        while True:
            # The head is read first: whatever it names must be there afterwards, and others may have written more.
            head = Head.objects.filter(pk=1).first()
            if head is None:
                yield Problem(None, "the row that holds the head is missing")
                return
            broken = self._walk()
            if broken:
                yield broken
                return
            if self.seq <= head.seq or head.seq == seen:
                break
            seen = head.seq
        if self.seq < head.seq:
            yield Problem(self.seq + 1, f"the acts from here to the head at {head.seq} are missing")
        elif self.seq > head.seq:
            yield Problem(head.seq + 1, f"it stands after the head at {head.seq}")
        elif self.hash != head.hash:
            yield Problem(self.seq or None, "the head does not hold the hash of the last act")
        if self.expect and self.seq < self.expect.seq:
            yield Problem(self.seq + 1, f"the chain ends before the checkpoint at {self.expect.seq}")

    def _walk(self) -> Problem | None:
        acts = Act.objects.filter(seq__gt=self.seq).select_related("payload").order_by("seq")
        for act in acts.iterator(chunk_size=2000):
            reason = self._fault(act)
            if reason:
                return Problem(self.seq + 1, reason)
            self.seq, self.hash = act.seq, act.hash
        return None

    def _fault(self, act: Act) -> str:
        """What is wrong with the next act, '' if nothing."""
        if act.seq != self.seq + 1:
            return f"acts {self.seq + 1} to {act.seq - 1} are missing"
        if act.previous != self.hash:
            return "it does not follow the act before it"
        if act.algorithm != ALGORITHM or act.hash != digest(act.content):
            return "its content does not match its hash"
        told = _header_in(act.content)
        if told is None:
            return "its content is not the canonical text of an act"
        if told != header(act, personal=told.get("personal")):
            return "its columns do not match its content"
        payload = getattr(act, "payload", None)
        if told["personal"] != (salted(payload.salt, payload.body) if payload else None):
            return "its personal text is not the one that was recorded"
        if self.expect and act.seq == self.expect.seq and act.hash != self.expect.hash:
            return "it is not the act of the checkpoint"
        return ""


def _header_in(content: str) -> dict[str, Any] | None:
    try:
        value = json.loads(content)
        whole = canonical(value) == content
    except ValueError:
        return None
    told = value.get("act") if whole and isinstance(value, dict) else None
    return told if isinstance(told, dict) else None
