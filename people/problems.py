"""What a person has to mend, said beside the field."""

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Problem:
    """One mistake: the field as the form or sheet names it ('' for the whole), and what to do about it."""

    field: str
    text: str


class Problems(Exception):  # noqa: N818
    """One write's mistakes, all of them. Nothing was stored."""

    def __init__(self, items: Iterable[Problem]) -> None:
        self.items = list(items)
        if not self.items:
            raise ValueError("Problems without a problem")
        super().__init__("; ".join(f"{item.field}: {item.text}" if item.field else item.text for item in self.items))


def problem(field: str, text: str) -> Problems:
    """A refusal with one mistake."""
    return Problems([Problem(field, text)])
