"""Papers as tagged PDF (PDF/UA-1, ISO 14289-1) and as workbooks.

What a paper says reaches the template as data, never as markup: a name with # or * in it prints as it is. Fonts are
those inside the typesetting library, so that every machine prints the same bytes for the same data and moment.
"""

import io
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, cast

import segno
import typst
from django.conf import settings

from credentials.papers.paper import CAUTION, Paper
from ledger.canonical import canonical
from sheets.writing import Column, write_book


def square_code(address: str) -> str:
    """The address as a square code (ISO/IEC 18004), as SVG: dark modules on white, four modules of quiet space."""
    out = io.BytesIO()
    segno.make(address, error="m", micro=False).save(out, kind="svg", border=4, light="white", xmldecl=False)
    return out.getvalue().decode()


def pdf(template: str, data: Mapping[str, Any], *, at: datetime) -> bytes:
    """The paper of this template (a name in templates/papers) with this data, dated `at`."""
    return cast(bytes, _typeset(template, data, at, format="pdf", pdf_standards=["ua-1"]))


def pictures(template: str, data: Mapping[str, Any], *, at: datetime) -> list[bytes]:
    """The same, each page as PNG: to be looked at."""
    made = _typeset(template, data, at, format="png", ppi=100)
    return made if isinstance(made, list) else [made]


def as_data(paper: Paper) -> dict[str, Any]:
    """What record.typ reads."""
    return {
        "title": paper.title,
        "facts": [list(each) for each in paper.facts],
        "holds": paper.holds,
        "foot": paper.foot,
        "caution": CAUTION,
        "signed": paper.signed,
        "sections": [
            {
                "title": each.title,
                "text": list(each.text),
                "columns": list(each.columns),
                "widths": list(each.widths) or [1] * len(each.columns),
                "rows": [list(row) for row in each.rows],
                "empty": each.empty,
            }
            for each in paper.sections
        ],
    }


def paper_pdf(paper: Paper, *, at: datetime) -> bytes:
    return pdf("record", as_data(paper), at=at)


def paper_book(paper: Paper, *, at: datetime) -> bytes:
    """A workbook with a sheet for each section that has a table, and one that says what the paper is."""
    out = io.BytesIO()
    facts = [f"{label}: {value}" for label, value in paper.facts]
    said = [f"{each.title}: {line}" for each in paper.sections for line in each.text]
    write_book(
        out,
        [
            (each.title, [Column(f"c{n}", label) for n, label in enumerate(each.columns)], each.rows)
            for each in paper.sections
            if each.columns
        ],
        title=paper.title,
        notes=(*facts, paper.holds, *said, paper.foot, CAUTION),
        made_at=at,
    )
    return out.getvalue()


def _typeset(template: str, data: Mapping[str, Any], at: datetime, **how: Any) -> bytes | list[bytes]:
    folder = Path(settings.BASE_DIR) / "templates" / "papers"
    compiler = typst.Compiler(str(folder / f"{template}.typ"), root=str(folder), ignore_system_fonts=True)
    made = compiler.compile(sys_inputs={"data": canonical(dict(data))}, timestamp=int(at.timestamp()), **how)
    return cast("bytes | list[bytes]", made)
