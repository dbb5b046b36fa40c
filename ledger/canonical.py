"""One text for one value, so that a digest means the same to everybody."""

import hashlib
import json
from typing import Any

LARGEST = 2**53 - 1


def canonical(value: Any) -> str:
    """The canonical JSON text of a value made of strings, whole numbers, booleans, None, lists and dicts.

    Keys are ASCII, numbers at most 2**53 - 1 either way, and nothing else is taken: a float or a date has more than one
    text. Within these limits the result is that of RFC 8785 (JSON Canonicalization Scheme, 2020).
    Raises ValueError naming the path of the first value that has no canonical text.
    """
    if not _is_plain(value):
        _refuse_others(value, "$")
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def digest(text: str) -> str:
    """SHA-256 of the text in UTF-8, as 64 hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def _is_plain(value: Any) -> bool:
    """Whether it has a canonical text, told in a fraction of the time that finding the place of a wrong one takes.

    False may also mean that only the slow look can tell: a subclass, a text beyond ASCII.
    """
    kind = type(value)
    if kind is str:
        return value.isascii()
    if kind is int:
        return -LARGEST <= value <= LARGEST
    if kind is dict:
        return all(type(key) is str and key.isascii() for key in value) and all(map(_is_plain, value.values()))
    if kind is list or kind is tuple:
        return all(map(_is_plain, value))
    return value is None or kind is bool


def _refuse_others(value: Any, path: str) -> None:
    if value is None or isinstance(value, bool):
        return
    if isinstance(value, int):
        if abs(value) > LARGEST:
            raise ValueError(f"{path}: {value} is beyond 2**53 - 1; store it as a string")
    elif isinstance(value, str):
        if any("\ud800" <= character <= "\udfff" for character in value):
            raise ValueError(f"{path}: {value!r} holds half a surrogate pair and has no UTF-8 form")
    elif isinstance(value, list | tuple):
        for position, item in enumerate(value):
            _refuse_others(item, f"{path}[{position}]")
    elif isinstance(value, dict):
        for key, item in value.items():
            if not isinstance(key, str) or not key.isascii():
                raise ValueError(f"{path}: key {key!r} is not ASCII text")
            _refuse_others(item, f"{path}.{key}")
    else:
        raise ValueError(
            f"{path}: {type(value).__name__} {value!r} has no canonical text; store a string or whole number"
        )
