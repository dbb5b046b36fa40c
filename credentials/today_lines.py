"""What waits for somebody on Today beside the longer lists: one line each, with the page where it is done."""

from dataclasses import dataclass
from enum import StrEnum


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
