"""What waits for somebody on Today beside the longer lists: one line each, with the page where it is done.

Each source is asked with the access of whoever reads, and gives lines or nothing; it costs a fixed number of queries.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum

from people.access import Access


class Part(StrEnum):
    """Under which heading of Today a line stands."""

    MINE = "mine"
    DECIDE = "decide"
    MANAGE = "manage"


@dataclass(frozen=True, slots=True)
class Line:
    """What waits, as a sentence, and where it is done. No figures of anybody."""

    part: Part
    words: str
    url: str


Source = Callable[[Access], Iterable[Line]]
SOURCES: tuple[Source, ...] = ()


def lines(access: Access) -> dict[str, list[Line]]:
    """The lines of this user by part, in the order of the sources."""
    found = [line for source in SOURCES for line in source(access)]
    return {part.value: [line for line in found if line.part is part] for part in Part}
