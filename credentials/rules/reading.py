"""Reading the content of a programme or rule set: canonical JSON in, typed values or a list of what is wrong out."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

_PLAIN_NUMBER = re.compile(r"[0-9]{1,9}(\.[0-9]{1,12})?")  # no sign, no exponent, ASCII digits only


class Wrong(NamedTuple):
    """One thing to mend: `path` names the field (with dots), `message` says what to do."""

    path: str
    message: str


class ContentError(ValueError):
    """Content that cannot be used, with everything that is wrong with it, not only the first."""

    def __init__(self, errors: list[Wrong]) -> None:
        super().__init__("; ".join(f"{path}: {message}" for path, message in errors))
        self.errors = errors


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number from `low` to `high`, both included."""

    name: str
    default: int
    low: int
    high: int
    label: str

    def read(self, value: object) -> int:
        """The number. Raises ValueError with the sentence that says what to write instead."""
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"write a whole number from {self.low} to {self.high}")
        if not self.low <= value <= self.high:
            raise ValueError(f"{value} is out of range: write a number from {self.low} to {self.high}")
        return value


@dataclass(frozen=True, slots=True)
class Number:
    """A decimal number written as a string, such as "0.20", strictly between `low` and `high`."""

    name: str
    default: str
    low: str
    high: str
    label: str

    def read(self, value: object) -> Decimal:
        """The number. Raises ValueError with the sentence that says what to write instead."""
        advice = f"write a number between {self.low} and {self.high}, such as {self.default}"
        if not isinstance(value, str) or not _PLAIN_NUMBER.fullmatch(value):
            raise ValueError(f"{value!r} is not a plain decimal number: {advice}")
        number = Decimal(value)
        if not Decimal(self.low) < number < Decimal(self.high):
            raise ValueError(f"{value} is out of range: {advice}")
        return number


@dataclass(frozen=True, slots=True)
class Choice:
    """One of a few words."""

    name: str
    default: str
    options: tuple[str, ...]
    label: str

    def read(self, value: object) -> str:
        """The word. Raises ValueError with the sentence that says what to write instead."""
        if isinstance(value, str) and value in self.options:
            return value
        raise ValueError(f"choose one of {', '.join(self.options)}")


@dataclass(frozen=True, slots=True)
class Several:
    """At least one of a list of words; read into a tuple in the order of the options."""

    name: str
    default: tuple[str, ...]
    options: tuple[str, ...]
    label: str

    def read(self, value: object) -> tuple[str, ...]:
        """The words. Raises ValueError with the sentence that says what to write instead."""
        if not isinstance(value, list | tuple) or not value:
            raise ValueError(f"choose at least one of {', '.join(self.options)}")
        strange = [str(word) for word in value if word not in self.options]
        if strange:
            raise ValueError(f"{', '.join(strange)}: not known here; choose from {', '.join(self.options)}")
        return tuple(option for option in self.options if option in value)


@dataclass(frozen=True, slots=True)
class YesNo:
    name: str
    default: bool
    label: str

    def read(self, value: object) -> bool:
        """The answer. Raises ValueError with the sentence that says what to write instead."""
        if not isinstance(value, bool):
            raise ValueError("write true or false")
        return value


@dataclass(frozen=True, slots=True)
class Codes:
    """Codes of procedures, each once; read into a tuple in their own order. Which of them exist is not known here."""

    name: str
    default: tuple[str, ...]
    most: int
    label: str

    def read(self, value: object) -> tuple[str, ...]:
        """The codes. Raises ValueError with the sentence that says what to write instead."""
        if not isinstance(value, list | tuple) or not all(isinstance(code, str) and code for code in value):
            raise ValueError("write a list of codes of procedures")
        if len(set(value)) != len(value):
            raise ValueError("name each procedure once")
        if len(value) > self.most:
            raise ValueError(f"{len(value)} are too many: choose at most {self.most}")
        return tuple(sorted(value))


Field = Whole | Number | Choice | Several | YesNo | Codes


def read_fields(content: object, fields: tuple[Field, ...], *, at: str, errors: list[Wrong]) -> dict[str, object]:
    """Every field of `fields` from a mapping, its default where it is missing; what is wrong is added to `errors`.

    A name that nobody knows is an error too: a misspelt threshold must not silently become the default.
    """
    prefix = f"{at}." if at else ""
    if not isinstance(content, Mapping):
        errors.append(Wrong(at, "must be an object with named values"))
        return {}
    known = {field.name for field in fields}
    errors.extend(Wrong(f"{prefix}{name}", "is not known here") for name in content if name not in known)
    values: dict[str, object] = {}
    for field in fields:
        if field.name not in content:
            values[field.name] = Decimal(field.default) if isinstance(field, Number) else field.default
            continue
        try:
            values[field.name] = field.read(content[field.name])
        except ValueError as problem:
            errors.append(Wrong(f"{prefix}{field.name}", str(problem)))
    return values
