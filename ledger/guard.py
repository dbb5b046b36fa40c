"""Append-only in the database, not only in Python."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Guard:
    """What the database refuses for a table, declared on its model as `guard`.

    No row is deleted, none is changed. `fill_once` names columns that may be filled once, from null or empty text, with
    nothing else changing; `grows` names a whole number that must grow whenever a row is changed. `changes` lets rows be
    changed at will, so that only their deletion is refused. `append_only=False` lifts it all.
    """

    fill_once: tuple[str, ...] = ()
    append_only: bool = True
    grows: str = ""
    changes: bool = False
