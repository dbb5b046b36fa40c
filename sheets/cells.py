"""What one cell means, for the kinds that need no list: text, staff number, whole number.

Every parser takes a cell and optionally a `warn` to be called with remarks, returns a value, None for a blank cell, and
raises Refused with a reason that says what to do. A reason never repeats the cell: it might hold a patient's number.
"""

import re
import unicodedata
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Protocol, TypeVar

from sheets.reading import Cell, Fault, Formula
from sheets.safetext import original_text

T = TypeVar("T")
T_co = TypeVar("T_co", covariant=True)
Warn = Callable[[str], None]

_MEMO_SIZE = 50_000
# From here on a spreadsheet's number no longer holds every digit.
_EXACT_BELOW = 10**15
_AS_TEXT = "format the column as text and type it as it stands in the staff list."
_ERRORS = frozenset(("#REF!", "#N/A", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#DIV/0!", "#SPILL!", "#CALC!"))
# Direction marks, zero-width space, soft hyphen, byte order mark; joiners stay, some scripts need them.
_INVISIBLE = frozenset("\u00ad\u200b\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2060\u2066\u2067\u2068\u2069\ufeff")


class Refused(ValueError):  # noqa: N818 (a refusal, in the words of the screens)
    """One cell cannot be taken; the text says why and what to do, never what the cell holds."""

    @property
    def reason(self) -> str:
        return str(self)


class Parser(Protocol[T_co]):
    """A function from a cell to a value, None for a blank cell."""

    def __call__(self, cell: Cell, warn: Warn = ...) -> T_co | None: ...


def silent(_: str) -> None:
    """Take a warning and drop it."""


def value_of(cell: Cell) -> str | float | bool | date | datetime | time | timedelta | None:
    """The cell's plain value, text cleaned and None if blank. Raises Refused for a formula or an error."""
    if isinstance(cell, str):
        cleaned = clean(original_text(cell))
        if cleaned.startswith("#") and cleaned.upper() in _ERRORS:
            raise Refused("The cell holds an error instead of a value: type the value.")
        return cleaned or None
    if isinstance(cell, Formula):
        raise Refused("The cell holds a formula: copy the column and paste it as values.")
    if isinstance(cell, Fault):
        raise Refused("The cell holds an error instead of a value: type the value.")
    return cell


def clean(text: str) -> str:
    """Composed (NFC), without control and invisible characters, every run of white space one space, trimmed."""
    if not (text.isascii() and text.isprintable()):
        text = "".join(
            " " if letter.isspace() else letter
            for letter in unicodedata.normalize("NFC", text)
            if letter.isspace() or (unicodedata.category(letter) not in ("Cc", "Cs") and letter not in _INVISIBLE)
        )
    return " ".join(text.split())


def text(cell: Cell, warn: Warn = silent) -> str:
    """Any value as one line of clean text; '' for a blank cell."""
    value = value_of(cell)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float | int):
        return plain_number(value)
    if isinstance(value, timedelta):
        minutes = round(value.total_seconds() / 60)
        return f"{minutes // 60}:{minutes % 60:02}"
    if isinstance(value, datetime):
        return value.isoformat(" ", "minutes")
    if isinstance(value, time):
        return value.isoformat("minutes")
    return str(value)


def staff_number(cell: Cell, warn: Warn = silent) -> str | None:
    """A staff number as the sheet has it: letters kept, 123.0 as '123', zeros that were lost are not guessed here."""
    value = value_of(cell)
    if value is None:
        return None
    if isinstance(value, str):
        if re.fullmatch(r"\d+\.0+", value):
            value = value.partition(".")[0]
        if re.fullmatch(r"\d(?:\.\d+)?[eE]\+?\d+", value):
            raise Refused(f"The staff number was cut short to a power of ten: {_AS_TEXT}")
        if len(value) > 40 or not any(letter.isalnum() for letter in value):
            raise Refused(f"This is no staff number: {_AS_TEXT}")
        return value
    if isinstance(value, float | int) and not isinstance(value, bool):
        if not 0 <= value < _EXACT_BELOW or value != int(value):
            raise Refused(f"This is no staff number: {_AS_TEXT}")
        return str(int(value))
    raise Refused(f"The spreadsheet turned the staff number into something else: {_AS_TEXT}")


def whole(low: int, high: int) -> Parser[int]:
    """A parser for whole numbers from `low` to `high`. Raises ValueError if none lies between."""
    if low > high:
        raise ValueError(f"no whole number from {low} to {high}")
    wanted = Refused(f"Write a whole number from {low} to {high}, in digits.")

    def read(cell: Cell, warn: Warn = silent) -> int | None:
        value = value_of(cell)
        if value is None:
            return None
        if isinstance(value, str) and re.fullmatch(r"[+-]?\d{1,15}(?:\.0+)?", value, re.ASCII):
            value = float(value)
        if isinstance(value, bool) or not isinstance(value, float | int) or value != value or not low <= value <= high:
            raise Refused(wanted.reason)
        if value != int(value):
            raise Refused(wanted.reason)
        return int(value)

    return read


def once(parser: Parser[T]) -> Parser[T]:
    """The same parser, remembering what texts meant: columns repeat themselves."""
    memo: dict[str, tuple[T | None, tuple[str, ...]]] = {}

    def read(cell: Cell, warn: Warn = silent) -> T | None:
        if type(cell) is not str:
            return parser(cell, warn)
        known = memo.get(cell)
        if known is None:
            warnings: list[str] = []
            known = parser(cell, warnings.append), tuple(warnings)
            if len(memo) < _MEMO_SIZE:
                memo[cell] = known
        for warning in known[1]:
            warn(warning)
        return known[0]

    return read


def plain_number(number: float) -> str:
    """The number as a person would type it: 20.0 is '20'."""
    if number == number and abs(number) < _EXACT_BELOW and number == int(number):
        return str(int(number))
    return repr(number)
