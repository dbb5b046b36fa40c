"""Words from a list: one of several choices, yes or no, two choices written as one ('L forearm').

Words are compared by `key`: letters and digits only, without case or spaces, so that '20 G', '20g' and '20-G' are one.
The lists come from whoever knows the trade.
"""

import re
import unicodedata
from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Generic, TypeVar

from sheets.cells import Parser, Refused, Warn, plain_number, silent, value_of
from sheets.reading import Cell

T = TypeVar("T")
U = TypeVar("U")

_TOKEN = re.compile(r"^-?\d+(?:\.\d+)?|\d+(?:\.\d+)?|[^\W\d_]+|[✓✔☑✗✘☒×?]")
_SHOWN = 12


@lru_cache(maxsize=16_384)
def tokens(text: str) -> tuple[str, ...]:
    """Words and numbers of a text, folded; a number keeps its point and a leading minus, 20.0 is 20."""
    found = _TOKEN.findall(unicodedata.normalize("NFKC", text).casefold().strip())
    return tuple(re.sub(r"\.0+$", "", token) if token[-1].isdigit() else token for token in found)


def key(words: Iterable[str]) -> str:
    """Words joined for comparison; two numbers stay apart, so that '2 0' is not '20'."""
    joined = ""
    for word in words:
        joined += " " + word if joined[-1:].isdigit() and word[0].isdigit() else word
    return joined


class Choice(Generic[T]):
    """A parser for one of several values, each with its synonyms; the first synonym is the word shown.

    `doubtful` maps a synonym to its value and a warning; `unclear` maps a word to the reason why it is refused.
    Raises ValueError if one synonym stands for two values.
    """

    def __init__(
        self,
        synonyms: Mapping[T, Iterable[str]],
        *,
        doubtful: Mapping[str, tuple[T, str]] | None = None,
        unclear: Mapping[str, str] | None = None,
    ) -> None:
        self._values: dict[str, T] = {}
        self._warnings: dict[str, str] = {}
        self._unclear = {key(tokens(word)): reason for word, reason in (unclear or {}).items()}
        self.shown: list[str] = []
        for value, words in synonyms.items():
            words = list(words)
            self.shown.append(words[0])
            for word in words:
                self._add(word, value)
        for word, (value, warning) in (doubtful or {}).items():
            self._add(word, value)
            self._warnings[key(tokens(word))] = warning

    def _add(self, word: str, value: T) -> None:
        known = self._values.setdefault(key(tokens(word)), value)
        if known != value or not key(tokens(word)):
            raise ValueError(f"{word!r} cannot stand for {value!r}: it stands for {known!r}")

    def __call__(self, cell: Cell, warn: Warn = silent) -> T | None:
        """The value that the cell's word stands for, None if blank. Raises Refused."""
        words = _words(cell)
        if not words:
            return None
        found = self.look_up(key(words), warn)
        if found is None:
            raise Refused(self._unclear.get(key(words)) or f"Write one of: {self.choices()}.")
        return found[0]

    def look_up(self, word: str, warn: Warn = silent) -> tuple[T] | None:
        """The value of a key in a tuple of one, None if it is not known."""
        if word not in self._values:
            return None
        if word in self._warnings:
            warn(self._warnings[word])
        return (self._values[word],)

    def choices(self) -> str:
        """The words to choose from, at most a dozen, for a message."""
        more = len(self.shown) - _SHOWN
        return ", ".join(self.shown[:_SHOWN]) + (f" and {more} more" if more > 0 else "")


def pair(first: Choice[T], second: Choice[U]) -> Parser[tuple[T | None, U | None]]:
    """A parser for two choices in one cell: 'L forearm', 'hand (left)', 'LACF', or one of them alone."""

    def read(cell: Cell, warn: Warn = silent) -> tuple[T | None, U | None] | None:
        words = _words(cell)
        if not words:
            return None
        whole = key(words)
        if found := second.look_up(whole, warn):
            return None, found[0]
        if alone := first.look_up(whole, warn):
            return alone[0], None
        splits = {(whole[:cut], whole[cut:]) for cut in range(1, len(whole))}
        splits |= {(b, a) for a, b in splits}
        for start in range(len(words)):
            for end in range(start + 1, len(words) + 1):
                splits.add((key(words[start:end]), key(words[:start] + words[end:])))
        read_as = {(a, b): (x[0], y[0]) for a, b in splits if (x := first.look_up(a)) and (y := second.look_up(b))}
        if len(set(read_as.values())) != 1:
            raise Refused(f"Write one of: {first.choices()}; and one of: {second.choices()}.")
        a, b = next(iter(read_as))
        first.look_up(a, warn)
        second.look_up(b, warn)
        return read_as[a, b]

    return read


# 'x' is a tick on some forms and a cross on others; nobody but its writer knows.
_X = "An x can mean yes or no: write Y or N."
yes_no: Choice[bool] = Choice(
    {
        True: ("Y", "yes", "true", "t", "1", "success", "successful", "succeeded", "✓", "✔", "☑"),
        False: ("N", "no", "false", "f", "0", "fail", "failed", "failure", "unsuccessful", "not successful", "✗", "✘"),
    },
    unclear={"x": _X, "×": _X, "☒": _X, "xx": _X},
)


def _words(cell: Cell) -> tuple[str, ...]:
    value = value_of(cell)
    if value is None:
        return ()
    if isinstance(value, bool):
        return ("true",) if value else ("false",)
    if isinstance(value, float | int):
        return tokens(plain_number(value))
    if isinstance(value, str):
        # Punctuation alone says nothing, but it is not blank either.
        return tokens(value) or ("?",)
    raise Refused("The spreadsheet turned this into a date or a time: format the column as text and type the word.")
