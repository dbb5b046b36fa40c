"""The sample list of completions read with pandas alone: what of it can be kept; imports nothing of the product."""

from datetime import date, timedelta
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from tests.imports.by_pandas import FORMULAS, day_of, number_of, text_of

TESTS = {"quiz": "knowledge", "online quiz": "knowledge", "e-test": "knowledge", "study day": "theory",
         "e-learning": "theory"}  # fmt: skip
PASSED = ("pass", "passed", "y", "attended", "completed", "✓")
ASIDE = ("004513", "000871")  # the one whose name stands beside another's number, and the one who imports
VALE = "Imogen Vale"


class Done(NamedTuple):
    """One completion, all of it; `until` is the first day on which it no longer holds."""

    number: str
    procedure: str
    kind: str
    on: date
    result: str
    passed: bool
    until: date | None
    about: str
    by: str


def read_completions(path: Path, staff: set[str], today: date) -> set[Done]:
    """What can be kept of the three sheets. A row that stands twice is kept once."""
    return {*_tests(path, staff, today), *_sims(path, staff), *_policies(path, staff)}


def refused_cells(path: Path) -> int:
    """How many rows cannot be kept, counted by hand: nine tests and a formula, one sim day, three policies."""
    sheets = pd.read_excel(path, sheet_name=None, header=None, dtype=object, engine="openpyxl")
    assert set(sheets) == {"Read me", "Knowledge tests", "Sim days", "Policies read", "2023"}
    return 10 + 1 + 3


def _frame(path: Path, name: str, header: int, number: str) -> pd.DataFrame:
    # Formulas as such, so that a cell that holds one can be told.
    frame = pd.read_excel(path, sheet_name=name, header=header, dtype=object, engine="openpyxl", engine_kwargs=FORMULAS)
    frame = frame[frame[number].notna()]
    return frame[~frame[number].map(lambda cell: text_of(cell).startswith("Total"))]


def _tests(path: Path, staff: set[str], today: date) -> set[Done]:
    found = set()
    for row in _frame(path, "Knowledge tests", 2, "Emp No").to_dict("records"):
        number, on, mark = number_of(row["Emp No"]), _day(row["Date"]), row["Mark"]
        said, kind = text_of(row["Pass/Fail"]).casefold(), TESTS.get(row["Type"].casefold())
        until = _after(row["Expiry date"])
        others = {"004512": "QUINLAN"}.get(number, row["Surname"]) != row["Surname"]
        if number not in staff or others or kind is None or on is None or on > today or said == "in progress":
            continue
        if isinstance(mark, pd.Timestamp | date) or text_of(mark).startswith("=") or (until and until <= on):
            continue
        result = text_of(mark) if not isinstance(mark, float | int) or pd.isna(mark) else f"{mark:g}"
        if not said and not result.endswith("(pass)"):
            continue
        by = text_of(row["Marked by"])
        found.add(
            Done(
                number, row["Competency"], kind, on, result, said not in ("fail", "not yet"), until,
                text_of(row["Test"]), by if by == "I. Vale" else VALE,
            )
        )  # fmt: skip
    return found


def _sims(path: Path, staff: set[str]) -> set[Done]:
    frame = _frame(path, "Sim days", 0, "Payroll number")
    frame["Session date"] = frame["Session date"].ffill()  # a day that is merged over those who came
    return {
        Done(
            number_of(row["Payroll number"]), row["Procedure"], "simulation", row["Session date"].date(), "", True,
            None, "", VALE,
        )
        for row in frame.to_dict("records")
        if text_of(row["Attended?"]).casefold() in PASSED and number_of(row["Payroll number"]) in staff
    }  # fmt: skip


def _policies(path: Path, staff: set[str]) -> set[Done]:
    found = set()
    for row in _frame(path, "Policies read", 0, "Staff ID").to_dict("records"):
        number, title = number_of(row["Staff ID"]), text_of(row["Policy"])
        if number in staff and number not in ASIDE and title:
            about = f"{title}, version {text_of(row['Version']).removeprefix('v')}"
            on = day_of(row["Read on"])
            assert on is not None
            found.add(Done(number, row["For procedure"], "policy", on, "", True, None, about, VALE))
    return found


def _day(cell: Any) -> date | None:
    try:
        return day_of(cell)
    except AssertionError:
        return None  # 31 September


def _after(cell: Any) -> date | None:
    last = day_of(cell)
    return None if last is None else last + timedelta(days=1)
