"""One text for one value, so that a digest means the same to everybody."""

import hashlib
import json
from typing import Any

LARGEST = 2**53 - 1
_HOLDING = {dict, list, tuple}
_PLAIN = {str, int, bool, type(None), *_HOLDING}
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def canonical(value: Any) -> str:
    """The canonical JSON text of a value made of strings, whole numbers, booleans, None, lists and dicts.

    Keys are ASCII, numbers at most 2**53 - 1 either way, and nothing else is taken: a float or a date has more than one
    text. Within these limits the result is that of RFC 8785 (JSON Canonicalization Scheme, 2020).
    Raises ValueError naming the path of the first value that has no canonical text.
    """
    if not _is_plain(value):
        _refuse_others(value, "$")
    text = _ENCODER.encode(value)
    if not text.isascii():
        # Beyond ASCII only the slow look tells whether every text has a form in UTF-8 and every key is ASCII.
        _refuse_others(value, "$")
    return text


def digest(text: str) -> str:
    """SHA-256 of the text in UTF-8, as 64 hexadecimal digits."""
    return hashlib.sha256(text.encode()).hexdigest()


def _is_plain(value: Any) -> bool:
    """Whether it is made of these types alone: a fraction of the time that finding the place of others takes."""
    left = [value]
    while left:
        each = left.pop()
        if type(each) is dict:
            if not set(map(type, each)) <= {str}:
                return False
            each = each.values()
        elif type(each) is not list and type(each) is not tuple:
            each = (each,)
        kinds = set(map(type, each))
        if not kinds <= _PLAIN:
            return False
        if int in kinds and not all(-LARGEST <= item <= LARGEST for item in each if type(item) is int):
            return False
        if kinds & _HOLDING:
            left += [item for item in each if type(item) in _HOLDING]
    return True


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
