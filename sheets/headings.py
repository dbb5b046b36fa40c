"""Match the headings of a sheet, as its ward wrote them, to the fields that we know."""

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from sheets.letters import column_index
from sheets.reading import Cell, Merge, is_blank
from sheets.zipcheck import FileRefused

HEADER_WITHIN = 30

# Words that change nothing: 'Gauge used' is 'Gauge', 'Date of insertion' is 'Insertion date'.
_FILLERS = frozenset("a an the of used please required mandatory enter select format dd mm yy yyyy hh hhmm y n".split())  # noqa: SIM905
_LETTERED = re.compile(r"column ([A-Za-z]{1,2})")
_NUMBER = frozenset(("no", "nr", "num", "nbr", "#", "№"))


@dataclass(frozen=True)
class Field:
    """One thing that a row can say: its name in code, its label on screens, and other words for it.

    `kind` names what a cell holds: text, staff number, day, time, whole number, yes or no, choice. `about`, `choices`
    and `example` explain the field in a template.
    """

    name: str
    label: str
    synonyms: tuple[str, ...] = ()
    kind: str = "text"
    required: bool = False
    about: str = ""
    choices: tuple[str, ...] = ()
    example: str = ""


@dataclass(frozen=True)
class Match:
    """The row of headings (counted from 1) and the column of each field found in it (counted from 0)."""

    header_row: int
    mapping: dict[str, int]
    headings: tuple[str, ...]
    missing: tuple[str, ...]
    is_enough: bool

    @property
    def unknown(self) -> tuple[int, ...]:
        """Columns that no field claims, those without a heading included."""
        return tuple(set(range(len(self.headings))) - set(self.mapping.values()))

    @property
    def signature(self) -> str:
        """A digest of the headings in order, the same for next month's sheet."""
        return signature(self.headings)


def signature(headings: Iterable[str]) -> str:
    """SHA-256 of the headings in their order, spelling variants folded."""
    return hashlib.sha256("\x1f".join(" ".join(words(text)) for text in headings).rstrip("\x1f").encode()).hexdigest()


@lru_cache(maxsize=4096)
def words(heading: str) -> tuple[str, ...]:
    """The words of a heading that count: folded, without units in brackets, plural s, punctuation and fillers."""
    text = unicodedata.normalize("NFKC", heading).casefold()
    text = re.sub(r"\([^)]*\)|\[[^\]]*\]", " ", text) if not text.strip().startswith(("(", "[")) else text
    found = re.findall(r"[^\W_]+|[#№]", text.replace("'s", "s").replace("’s", "s"))
    folded = ["number" if word in _NUMBER else _singular(word) for word in found]
    return tuple(word for word in folded if word not in _FILLERS) or tuple(folded)


def guess(
    fields: Sequence[Field],
    rows: Sequence[Sequence[Cell]],
    *,
    merges: Sequence[Merge] = (),
    columns: Mapping[str, str | None] | None = None,
) -> Match | None:
    """The row among the first thirty in which most fields are recognised, or that looks most like headings.

    `columns` gives headings for some fields ('column G' for one without a heading of its own), or None for a field that
    the sheet does not hold: those are not guessed, and a row counts only if it has all the headings given. None if no
    row has two texts. `is_enough` says whether the match holds at least half of the required fields and two fields in
    all, so that a list of wards beside the log is not taken for a log.
    """
    best: Match | None = None
    for index in range(min(HEADER_WITHIN, len(rows))):
        match = _match(fields, columns or {}, index, _headings(rows, merges, index))
        if match and (best is None or _likeness(match) > _likeness(best)):
            best = match
    return best


def _likeness(match: Match) -> tuple[int, int]:
    return len(match.mapping), len(set(filter(None, match.headings)))


def read_columns(text: str, fields: Sequence[Field]) -> dict[str, str | None]:
    """Read a column map, {"field": "Heading text"} in JSON, null for a field to leave out. Raises FileRefused."""
    try:
        columns = json.loads(text)
    except ValueError as error:
        raise FileRefused(f"The column map is not JSON: {error}.") from error
    if not isinstance(columns, dict) or not all(value is None or isinstance(value, str) for value in columns.values()):
        raise FileRefused('The column map must look like {"field": "Heading text"}, with null to leave a field out.')
    known = [field.name for field in fields]
    if unknown := [name for name in columns if name not in known]:
        raise FileRefused(f"The column map names unknown fields: {', '.join(unknown)}. Known are: {', '.join(known)}.")
    return columns


def _match(
    fields: Sequence[Field], given: Mapping[str, str | None], index: int, headings: list[tuple[str, ...]]
) -> Match | None:
    by_words: dict[tuple[str, ...], list[int]] = {}
    for column, variants in enumerate(headings):
        for variant in variants:
            by_words.setdefault(words(variant), []).append(column)
    by_bag: dict[frozenset[str], list[int]] = {}
    for form, columns in by_words.items():
        by_bag.setdefault(frozenset(form), []).extend(columns)
    mapping: dict[str, int] = {}
    for name, heading in given.items():
        if heading is None:
            continue
        lettered = _LETTERED.fullmatch(heading.strip())
        places = [column_index(lettered[1])] if lettered else by_words.get(words(heading), ())
        place = _first_free((column for column in places if column < len(headings)), mapping)
        if place is None:
            return None
        mapping[name] = place
    to_guess = [field for field in fields if field.name not in given]
    # Word for word first, for all fields; then the same words in another order.
    for in_order in (True, False):
        for field in to_guess:
            if field.name in mapping:
                continue
            for word in (field.label, field.name.replace("_", " "), *field.synonyms):
                form = words(word)
                place = _first_free(by_words.get(form, ()) if in_order else by_bag.get(frozenset(form), ()), mapping)
                if place is not None and form:
                    mapping[field.name] = place
                    break
    if not mapping and sum(map(bool, headings)) < 2:
        return None
    required = [field.name for field in fields if field.required]
    missing = tuple(name for name in required if name not in mapping)
    return Match(
        header_row=index + 1,
        mapping=mapping,
        headings=tuple(variants[-1] if variants else "" for variants in headings),
        missing=missing,
        is_enough=len(mapping) >= min(2, len(fields)) and 2 * len(missing) <= len(required),
    )


def _first_free(columns: Iterable[int], mapping: Mapping[str, int]) -> int | None:
    return next((column for column in columns if column not in mapping.values()), None)


def _headings(rows: Sequence[Sequence[Cell]], merges: Sequence[Merge], index: int) -> list[tuple[str, ...]]:
    """For each column of a row its heading, preceded by 'group heading' where a merged group stands above it."""
    above: dict[int, str] = {}
    within: dict[int, str] = {}
    for merge in merges:
        label = _text(rows[merge.top][merge.left]) if _is_inside(rows, merge) else ""
        if label and merge.bottom == index - 1 and merge.right > merge.left:
            above |= dict.fromkeys(range(merge.left, merge.right + 1), label)
        elif label and merge.top < index <= merge.bottom and merge.left == merge.right:
            within[merge.left] = label
    headings: list[tuple[str, ...]] = []
    for column in range(max(len(rows[index]), *(place + 1 for place in within), 0)):
        cell = rows[index][column] if column < len(rows[index]) else None
        own = _text(cell) or within.get(column, "")
        headings.append((f"{above[column]} {own}", own) if own and column in above else (own,) if own else ())
    return headings


def _is_inside(rows: Sequence[Sequence[Cell]], merge: Merge) -> bool:
    return merge.top < len(rows) and merge.left < len(rows[merge.top]) and merge.right < 16_384


def _text(cell: Cell) -> str:
    return " ".join(cell.split()) if isinstance(cell, str) and not is_blank(cell) else ""


def _singular(word: str) -> str:
    return word[:-1] if len(word) > 3 and word.endswith("s") and not word.endswith("ss") else word
