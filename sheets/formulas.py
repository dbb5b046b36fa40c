"""What a workbook's XML says that its cached values hide: formulas, error cells, and how far a sheet really reaches.

The reader shows the value that a formula last had, shows an error as an empty cell, allots memory for the whole
rectangle between the first and the last value and for as many texts as are announced, and misplaces or loses values
whose cells do not say where they stand or stand out of order. So the XML is looked at first. Most sheets are written in
one regular form, which a few searches recognise while the archive is being checked; the others are walked.
"""

import posixpath
import re
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from sheets.letters import column_index
from sheets.zipcheck import MAX_MEMBERS, Archive, FileRefused

MAX_MARKED = 100_000
MAX_MERGES = 100_000
MAX_TEXTS = 6_000_000
_TAIL = 1 << 20
_SAVE_AGAIN = "Open it in Excel, save it again as .xlsx, and upload that copy."
_UNREADABLE = f"The workbook's XML cannot be read. {_SAVE_AGAIN}"

# A tag that is not the regular writing of a row or a cell, a formula, a comment; a prefix before one of those names.
_IRREGULAR_TAG = re.compile(
    rb'<(?:!|\?(?!xml\s)|f[\s/>]|c(?! r="[A-Z]{1,2}[0-9]{1,6}"[\s/>])[\s/>]|row(?! r="[0-9]{1,6}"[\s/>])[\s/>])'
)
_PREFIXED_TAG = re.compile(rb":(?:c|f|row|mergeCell)[\s/>]")
_ERROR_CELL = re.compile(rb"""=["']e["']""")
_ROW = re.compile(rb'<row r="([0-9]+)"')
_WIDE_CELL = re.compile(rb'<c r="([A-Z]{2})')
_MERGE = re.compile(rb"<mergeCell[\s/>]")


@dataclass
class Marks:
    """What one sheet holds besides values; places count from 0.

    `rows` and `columns` say how far it reaches, `cells` how many there are: upper bounds after a quick look.
    """

    rows: int = 0
    columns: int = 0
    cells: int = 0
    formulas: dict[int, set[int]] = field(default_factory=lambda: defaultdict(set))
    errors: dict[int, set[int]] = field(default_factory=lambda: defaultdict(set))


@dataclass
class _Glance:
    """What the searches have seen of one sheet so far."""

    regular: bool = True
    tail: bytes = b""
    rows: int = 0
    columns: int = 26
    cells: int = 0
    merges: int = 0


class Scan:
    """Glances at the sheets while `zipcheck.check` unpacks them; `marks` then walks those that are not regular."""

    def __init__(self) -> None:
        self._glances: dict[str, _Glance] = {}

    def look(self, name: str, piece: bytes) -> None:
        """Take the next piece of a part; to be passed to `zipcheck.check`."""
        if not name.startswith("xl/worksheets/"):
            return
        glance = self._glances.get(name)
        if glance is None:
            # Anything but plain UTF-8 at the start, UTF-16 above all, is for the parser.
            glance = self._glances[name] = _Glance(regular=piece.startswith((b"<?xml", b"<worksheet")))
        if not glance.regular:
            return
        text = glance.tail + piece
        cut = text.rfind(b"<")
        glance.tail = text[cut:]
        self._search(glance, text[:cut])

    def marks(self, archive: Archive, part: str) -> Marks:
        """Formulas, errors and extent of the sheet in this part. Raises FileRefused for XML that cannot be read."""
        glance = self._glances.get(part)
        if glance is not None and glance.regular:
            self._search(glance, glance.tail)
            glance.tail = b""
        if glance is None or not glance.regular:
            return walk(archive, part)
        return Marks(rows=glance.rows, columns=glance.columns, cells=glance.cells)

    @staticmethod
    def _search(glance: _Glance, text: bytes) -> None:
        numbers = list(map(int, _ROW.findall(text)))
        glance.merges += len(_MERGE.findall(text))
        if (
            len(glance.tail) > _TAIL
            or _IRREGULAR_TAG.search(text)
            or _PREFIXED_TAG.search(text)
            or _ERROR_CELL.search(text)
            or glance.merges > MAX_MERGES
            or [glance.rows, *numbers] != sorted({glance.rows, *numbers})
        ):
            glance.regular, glance.tail = False, b""
            return
        glance.rows = max(glance.rows, *numbers, 0)
        glance.cells += text.count(b"<c ")
        if wide := _WIDE_CELL.findall(text):
            glance.columns = max(glance.columns, *(column_index(name.decode()) + 1 for name in set(wide)))


@dataclass(frozen=True)
class Parts:
    """Where the sheets lie: part by sheet name in workbook order; and whether dates count from 1904."""

    sheets: dict[str, str]
    from_1904: bool
    linked: bool


def sheet_parts(archive: Archive) -> Parts:
    """Find the part of each sheet through the workbook's relations. Raises FileRefused if they cannot be read."""
    targets: dict[str, str] = {}
    sheets: dict[str, str] = {}
    flags = {"1904": False}

    def relation(name: str, attributes: dict[str, str]) -> None:
        if _local(name) == "Relationship" and attributes.get("TargetMode") != "External":
            targets[attributes.get("Id", "")] = attributes.get("Target", "")

    def workbook(name: str, attributes: dict[str, str]) -> None:
        if _local(name) == "workbookPr":
            flags["1904"] = attributes.get("date1904", "") in ("1", "true", "on")
        if _local(name) == "sheet":
            identifier = next((value for key, value in attributes.items() if _local(key) == "id"), "")
            sheets[attributes.get("name", "")] = targets.get(identifier, "")

    relations = "xl/_rels/workbook.xml.rels"
    if relations not in archive.members or "xl/workbook.xml" not in archive.members:
        raise FileRefused(_UNREADABLE)
    _parse(archive, relations, relation)
    _parse(archive, "xl/workbook.xml", workbook)
    if len(sheets) > MAX_MEMBERS:
        raise FileRefused(f"The workbook lists more than {MAX_MEMBERS} sheets. {_SAVE_AGAIN}")
    return Parts(
        sheets={name: posixpath.normpath(posixpath.join("/xl", target))[1:] for name, target in sheets.items()},
        from_1904=flags["1904"],
        linked=any(name.startswith("xl/externalLinks/") for name in archive.members),
    )


def check_texts(archive: Archive) -> None:
    """Refuse a table of shared texts that announces more than a workbook can use: the reader believes it."""
    texts = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal texts
        if _local(name) == "si":
            texts += 1
        elif _local(name) == "sst":
            texts = max(texts, *(_number(attributes[key]) for key in attributes if _local(key) == "uniqueCount"), 0)
        if texts > MAX_TEXTS:
            raise FileRefused(f"The workbook announces more than {MAX_TEXTS:,} texts. {_SAVE_AGAIN}")

    for name in archive.members:
        if name.replace("\\", "/").casefold() == "xl/sharedstrings.xml":
            _parse(archive, name, start)


def walk(archive: Archive, part: str) -> Marks:
    """Read one sheet element by element: exact marks, slower than `Scan.marks`. Raises FileRefused."""
    marks = Marks()
    place: tuple[int, int] | None = None
    inside = is_filled = False
    merges = marked = last_row = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal place, inside, is_filled, merges, marked, last_row
        name = _local(name)
        if name == "c":
            inside, is_filled = True, False
            place = _place(attributes["r"]) if "r" in attributes else None
            if attributes.get("t") == "e" and place:
                marks.errors[place[0]].add(place[1])
                marked += 1
        elif inside and name in ("v", "is", "f"):
            if place is None or place[0] < last_row:
                raise FileRefused(f"Cells of the workbook do not say where they stand, or not in order. {_SAVE_AGAIN}")
            last_row = place[0]
            marks.rows = max(marks.rows, place[0] + 1)
            marks.columns = max(marks.columns, place[1] + 1)
            marks.cells += not is_filled
            is_filled = True
            if name == "f":
                marks.formulas[place[0]].add(place[1])
                marked += 1
        elif name == "mergeCell":
            merges += 1
        if marked > MAX_MARKED:
            raise FileRefused(
                f"More than {MAX_MARKED:,} cells hold formulas or errors. Copy the sheet, paste it as values into a "
                "new workbook, and upload that."
            )
        if merges > MAX_MERGES:
            raise FileRefused(f"More than {MAX_MERGES:,} cells are merged. Unmerge them and upload again.")

    def end(name: str) -> None:
        nonlocal inside
        if _local(name) == "c":
            inside = False

    _parse(archive, part, start, end)
    return marks


def _parse(
    archive: Archive,
    part: str,
    start: Callable[[str, dict[str, str]], None],
    end: Callable[[str], None] | None = None,
) -> None:
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = parser.ExternalEntityRefHandler = _refuse_declaration
    if part not in archive.members:
        raise FileRefused(_UNREADABLE)
    try:
        for piece in archive.pieces(part):
            parser.Parse(piece, False)
        parser.Parse(b"", True)
    except (expat.ExpatError, ValueError, LookupError) as error:
        raise FileRefused(_UNREADABLE) from error


def _refuse_declaration(*_: object) -> NoReturn:
    raise FileRefused(_UNREADABLE)


def _local(name: str) -> str:
    return name.rpartition(":")[2]


def _number(text: str) -> int:
    if not (text.isascii() and text.isdigit()):
        raise FileRefused(_UNREADABLE)
    return int(text)


def _place(reference: str) -> tuple[int, int]:
    letters = reference.rstrip("0123456789")
    row = _number(reference[len(letters) :])
    if row < 1 or not (letters.isascii() and letters.isalpha() and len(letters) <= 3):
        raise FileRefused(_UNREADABLE)
    return row - 1, column_index(letters)
