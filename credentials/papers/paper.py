"""A paper as data: who and what it is about, and its sections. The same data make the PDF and the workbook."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from people.clock import in_words

CAUTION = (
    "The register records what was entered and signed in it. Defer to local policy and codes and to licensed practice. "
    "Figures on few insertions are uncertain. It names no patient; write no patient's name or number on it."
)


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading, sentences under it, and a table; `empty` is said where the table would have no rows."""

    title: str
    text: Sequence[str] = ()
    columns: Sequence[str] = ()
    widths: Sequence[int] = ()  # shares of the width, one for each column; all alike if none are given
    rows: Sequence[Sequence[str]] = ()
    empty: str = "None."

    def __post_init__(self) -> None:
        if any(len(row) != len(self.columns) for row in self.rows) or len(self.widths) not in (0, len(self.columns)):
            raise ValueError(f"{self.title!r}: each row has a value for each of {list(self.columns)}")


@dataclass(frozen=True, kw_only=True)
class Paper:
    """`facts` are label and value; `holds` says what the paper holds and what it leaves out; `signed` asks for space
    to sign on paper.
    """

    name: str
    title: str
    facts: Sequence[tuple[str, str]]
    holds: str
    sections: Sequence[Section]
    made: str
    by: str
    known: int
    signed: bool = True

    @property
    def foot(self) -> str:
        """Made 2 March 2026, 13:30 Australia/Adelaide by Own Er, as known at number 52."""
        return f"Made {self.made} by {self.by}, as known at number {self.known}."


def moment_words(at: datetime) -> str:
    """A moment as papers say it, in UTC, so that it reads the same everywhere."""
    utc = at.astimezone(UTC)
    return f"{in_words(utc.date())}, {utc:%H:%M} UTC"
