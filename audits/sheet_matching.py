"""Which row of a sheet is which entry that an earlier sheet brought: never by file name, always by what it says.

A row's UUID is a UUIDv5 of (register, staff number, procedure, day, time or '', ordinal). Rows that say what a stored
entry says, or once said, are matched first; the rest by that key in the file's order. What an earlier sheet had and
this one has no more is offered to a new row of the same person, day and unit that is nearly the same: it was corrected.
Pure.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from uuid import UUID, uuid5

Pool = tuple[int, int]
"""Clinician's key and day as an ordinal: entries of other people and days are never taken for one another."""


class Match(StrEnum):
    NEW = "new"
    ALREADY = "already"
    CHANGED = "changed"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a row says: `base` is its key but for the ordinal, `digest` stands for its whole content."""

    pool: Pool
    base: str
    unit: int
    digest: bytes


@dataclass(slots=True)
class Stored:
    """An entry that came from a sheet: digests of all that it says or ever said, also as a proposal."""

    uuid: UUID
    unit: int
    digests: set[bytes] = field(default_factory=set)
    withdrawn: bool = False


Alike = Callable[[int, UUID], bool]
"""Whether the row at this place differs from this stored entry in little enough to be its correction."""


def key_of(register: UUID, base: str, ordinal: int) -> UUID:
    return uuid5(register, f"{base}\x1f{ordinal}")


def base_of(*, staff_number: str, procedure: str, day: str, time: str) -> str:
    """The text of a key without its ordinal; `time` is '' where it is not known."""
    return "\x1f".join((staff_number, procedure, day, time))


def match(
    rows: Sequence[Wanted], stored: Mapping[Pool, Sequence[Stored]], *, register: UUID, alike: Alike
) -> list[tuple[Match, UUID]]:
    """For each row whether it is new, stored already, or a change of what is stored, and its UUID."""
    pools: dict[Pool, list[int]] = defaultdict(list)
    for place, row in enumerate(rows):
        pools[row.pool].append(place)
    found: list[tuple[Match, UUID]] = [(Match.NEW, register)] * len(rows)
    for pool, places in pools.items():
        here = stored.get(pool, ())
        _match_pool(rows, places, here, found, register, alike)
    return found


def _match_pool(
    rows: Sequence[Wanted],
    places: Sequence[int],
    here: Sequence[Stored],
    found: list[tuple[Match, UUID]],
    register: UUID,
    alike: Alike,
) -> None:
    free = {each.uuid: each for each in here}
    left = list(places)
    if here:
        left = [place for place in left if not _said(rows[place], free, register, place, found)]
        left = _by_key(rows, left, free, register, len(here) + len(places), found)
        units = {rows[place].unit for place in places}
        left = _vanished(rows, left, [each for each in free.values() if each.unit in units], alike, found)
    taken = {each.uuid for each in here}
    following: dict[str, int] = defaultdict(int)
    for place in left:
        base = rows[place].base
        while (uuid := key_of(register, base, following[base])) in taken:
            following[base] += 1
        following[base] += 1
        found[place] = (Match.NEW, uuid)


def _said(row: Wanted, free: dict[UUID, Stored], register: UUID, place: int, found: list[tuple[Match, UUID]]) -> bool:
    """Take the entry that says the same: the one with the row's own key, if several do."""
    same = [each for each in free.values() if row.digest in each.digests]
    if not same:
        return False
    if len(same) > 1:
        own = {key_of(register, row.base, ordinal) for ordinal in range(len(same))}
        same.sort(key=lambda each: each.uuid not in own)
    del free[same[0].uuid]
    found[place] = (Match.ALREADY, same[0].uuid)
    return True


def _by_key(
    rows: Sequence[Wanted],
    left: Sequence[int],
    free: dict[UUID, Stored],
    register: UUID,
    ordinals: int,
    found: list[tuple[Match, UUID]],
) -> list[int]:
    """Rows with the key of a stored entry that says something else, in the file's order."""
    keys: dict[str, list[UUID]] = {}
    rest = []
    for place in left:
        base = rows[place].base
        if base not in keys:
            known = (key_of(register, base, ordinal) for ordinal in range(ordinals))
            keys[base] = [uuid for uuid in known if uuid in free and not free[uuid].withdrawn]
        if keys[base]:
            uuid = keys[base].pop(0)
            del free[uuid]
            found[place] = (Match.CHANGED, uuid)
        else:
            rest.append(place)
    return rest


def _vanished(
    rows: Sequence[Wanted], left: Sequence[int], gone: list[Stored], alike: Alike, found: list[tuple[Match, UUID]]
) -> list[int]:
    """New rows that are nearly what an entry said that no row says any more."""
    rest = []
    for place in left:
        fitting = (
            each for each in gone if each.unit == rows[place].unit and not each.withdrawn and alike(place, each.uuid)
        )
        entry = next(fitting, None)
        if entry is None:
            rest.append(place)
        else:
            gone.remove(entry)
            found[place] = (Match.CHANGED, entry.uuid)
    return rest
