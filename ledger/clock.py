"""The one clock. Nothing else reads the time of day."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime, timedelta

from django.utils import timezone

from ledger import register

_stopped: ContextVar[datetime | None] = ContextVar("stopped", default=None)
_offset = timedelta()


class ClockRefusedError(RuntimeError):
    """The clock of a register with real records is not to be moved."""


def now() -> datetime:
    """The server's time in UTC. A device's own time is a claim and is stored apart."""
    return _stopped.get() or timezone.now() + _offset


@contextmanager
def at(moment: datetime) -> Iterator[datetime]:
    """Stop the clock at this moment, in this thread, within a demo register. Raises ClockRefusedError in any other."""
    _check(moment)
    token = _stopped.set(moment)
    try:
        yield moment
    finally:
        _stopped.reset(token)


def run_from(moment: datetime) -> None:
    """Let the whole process run from this moment on, within a demo register. Raises ClockRefusedError in any other."""
    global _offset
    _check(moment)
    _offset = moment - timezone.now()


def _check(moment: datetime) -> None:
    if timezone.is_naive(moment):
        raise ValueError(f"{moment.isoformat()} has no time zone")
    if not _may_move():
        raise ClockRefusedError("Only the clock of a demo register may be moved.")


def _may_move() -> bool:
    return register.is_demo()
