"""Free text that people type: short, and nothing in it that may tell who a patient is."""

from audits.identifiers import describe, find_identifiers
from people.problems import Problem


def text_problems(field: str, text: str, *, longest: int, asked: str = "") -> list[Problem]:
    """What is wrong with this text. `asked` is what to say where it must not be empty ('' where it may be)."""
    if not text.strip():
        return [Problem(field, asked)] if asked else []
    if len(text) > longest:
        return [Problem(field, f"Use at most {longest} characters.")]
    found = find_identifiers(text)
    return [Problem(field, describe(found))] if found else []
