"""The sample workbooks read with pandas alone, and what follows from them by the product's words; imports none of it.

Rules and terms are those of the examples: 1 knowledge test and 1 simulation before the first patient, notice of 90
days, 30 of grace, student ceiling 'nearby'; rate asked from 20 insertions against 80%, CUSUM for 20% against 35% with
limit 4.0, 5 failures running, 183 days, 12 in 365 days, 2 punctures, any serious event, 12 months each.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from math import log
from pathlib import Path
from typing import Any

import pandas as pd
from statsmodels.stats.proportion import proportion_confint

SHEETS = {"Ward 4 Tern": 4, "Curlew": 0, "ED": 2, "Day Ward": 1, "Heron Point": 0}  # name -> row of headings, from 0
FORMULAS = {"data_only": False}
WORKED = ("y", "yes", "success", "successful")
Holding = tuple[date, date, date]  # awarded, expires, first day after grace


def day_of(cell: Any) -> date | None:
    if cell is None or (isinstance(cell, float) and pd.isna(cell)) or cell is pd.NaT:
        return None
    if isinstance(cell, datetime | pd.Timestamp):
        return date(cell.year, cell.month, cell.day)
    if isinstance(cell, int | float):
        return date(1899, 12, 30) + timedelta(days=int(cell))
    for form in ("%d/%m/%Y", "%d %b %Y"):
        try:
            return datetime.strptime(str(cell).strip(), form).date()  # noqa: DTZ007 - a day
        except ValueError:
            continue
    raise AssertionError(f"unread day {cell!r}")


def number_of(cell: Any) -> str:
    return str(int(cell)).zfill(6) if isinstance(cell, int | float) else str(cell).strip().zfill(6)


def text_of(cell: Any) -> str:
    return "" if cell is None or (isinstance(cell, float) and pd.isna(cell)) else str(cell).strip()


def months_after(day: date, months: int) -> date:
    return (pd.Timestamp(day) + pd.DateOffset(months=months)).date()


# --- the logbook ---


def read_logbook(path: Path, staff: set[str]) -> pd.DataFrame:
    """One row for each insertion that can be used: number, procedure, ward, day, punctures, first, event."""
    found = [row for name, head in SHEETS.items() for row in _rows(path, name, head, staff)]
    return pd.DataFrame(found).sort_values(["number", "day", "time"], kind="stable", ignore_index=True)


def _rows(path: Path, name: str, head: int, staff: set[str]) -> Iterator[dict[str, Any]]:
    # Formulas as such, so that a cell that holds one can be told.
    frame = pd.read_excel(path, sheet_name=name, header=head, dtype=object, engine="openpyxl", engine_kwargs=FORMULAS)
    frame.columns = [str(column) for column in frame.columns]
    first = {"Ward 4 Tern": "Date", "Curlew": "Date/Time", "ED": "Date", "Day Ward": "Date",
             "Heron Point": "Date of insertion"}[name]  # fmt: skip
    number = {"Ward 4 Tern": "Emp No", "Curlew": "Staff ID", "ED": "Payroll number", "Day Ward": "Employee number",
              "Heron Point": "Staff no"}[name]  # fmt: skip
    frame = frame[frame[number].notna()]
    frame[first] = frame[first].ffill()  # a day that is merged over its rows
    waiting: dict[str, Any] | None = None
    for _, row in frame.iterrows():
        who = number_of(row[number])
        if who not in staff or any(str(cell).startswith("=") for cell in row):
            continue
        time = str(row.get("Time", "")) if name != "Curlew" else str(row[first])
        line = {"number": who, "day": day_of(row[first]), "time": time, "procedure": "ADULT", "ward": name}
        if name == "Ward 4 Tern":
            worked = text_of(row["Successful? (Y/N)"]).casefold() in WORKED
            line |= _told(int(row["No. of attempts"]), worked, row["Complications"])
        elif name == "Curlew":
            line |= _told(int(row["Attempts"]), text_of(row["Outcome"]).casefold() in WORKED, row["Adverse events"])
        elif name == "ED":
            second = text_of(row["Result.1"])
            worked = (second or text_of(row["Result"])) == "success"
            line |= _told(2 if second else 1, worked, row["Serious events"])
        elif name == "Heron Point":
            worked = text_of(row["Outcome"]).casefold() in WORKED
            line |= _told(int(row["Attempts"]), worked, row["Incident"])
            line |= {"procedure": row["Procedure"], "ward": row["Ward"]}
            assert line["first"] == (row["First attempt success"] == "Y")
        else:
            worked = row["Success?"] == "yes"
            if row["Attempt no."] > 1:
                assert waiting is not None
                waiting["punctures"] += 1
                continue
            line |= _told(1, worked, row["Serious event"])
            line |= {"procedure": "ADULT-US" if text_of(row["Method"]) else "ADULT"}
            waiting = line
        yield line


def _told(punctures: int, worked: bool, event: Any) -> dict[str, Any]:
    serious = text_of(event).casefold() not in ("", "nil", "none")
    return {"punctures": punctures, "first": worked and punctures == 1, "event": serious}


# --- the staff list ---


@dataclass
class Member:
    number: str
    ward: str = ""
    is_student: bool = False
    placed: list[tuple[date, date | None]] = field(default_factory=list)  # first day, first day after
    appointed: date | None = None
    learning: dict[str, date] = field(default_factory=dict)
    done: dict[str, list[date]] = field(default_factory=dict)
    holds: dict[str, Holding] = field(default_factory=dict)

    @property
    def procedure(self) -> str:
        return next(iter([*self.learning, *self.holds]), "ADULT")


def read_staff(path: Path) -> dict[str, Member]:
    """Everybody of whom a row can be used. The two rows that cannot are known by their numbers."""
    permanent = pd.read_excel(path, sheet_name="Permanent staff", header=3, dtype=object, engine="openpyxl")
    casual = pd.read_excel(path, sheet_name="Casual, agency, students", dtype=object, engine="openpyxl")
    casual = casual.rename(
        columns={
            "Emp ID": "Employee No.", "Ward/Unit": "Ward", "Contract": "Employment type", "From": "Start date",
            "To": "End date", "Date awarded": "Awarded on", "Expires": "Valid until", "Knowledge test": "Theory test",
            "Simulation": "Sim session",
        }
    )  # fmt: skip
    staff: dict[str, Member] = {}
    for frame in (permanent, casual):
        for row in frame[frame["Employee No."].notna()].to_dict("records"):
            if not re.fullmatch(r"\d+", text_of(row["Employee No."])) or int(row["Employee No."]) in (8001, 8002):
                continue
            own = _member(row)
            # The one number that stands without its zeros as text came so from the office.
            staff[own.number] = own
    return staff


def _member(row: dict[str, Any]) -> Member:
    cell = row["Employee No."]
    member = Member(number=cell if isinstance(cell, str) else number_of(cell))
    start, end = day_of(row["Start date"]), day_of(row["End date"])
    if ward := text_of(row["Ward"]):
        assert start is not None
        member.ward = ward.split("/")[-1].strip().title().replace("'S", "'s")
        member.placed.append((start, end and end + timedelta(days=1)))
    member.is_student = text_of(row["Employment type"]) == "Student"
    if text_of(row.get("Appointed as")):
        member.appointed = start
    if code := text_of(row["Learning"]):
        since = day_of(row["Learning since"])
        assert since is not None
        member.learning[code] = since
        member.done[code] = [day for name in ("Theory test", "Sim session") if (day := day_of(row[name]))]
    if code := text_of(row["Holds"]):
        awarded, through = day_of(row["Awarded on"]), day_of(row["Valid until"])
        assert awarded is not None
        assert through is not None
        expires = through + timedelta(days=1)
        member.holds[code] = (awarded, expires, expires + timedelta(days=30))
    return member


# --- what follows ---


def status(member: Member, code: str, on: date) -> tuple[str, str]:
    """Status and answer at home on a day."""
    here = [span for span in member.placed if span[0] <= on and (span[1] is None or on < span[1])]
    if not here and not (member.appointed and member.appointed <= on):
        return "no_placement", "no"
    if code in member.holds and member.holds[code][0] <= on:
        _, expires, gone = member.holds[code]
        if on < expires:
            return ("due" if on >= expires - timedelta(days=90) else "current"), _capped(member, "alone")
        return ("in_grace" if on < gone else "lapsed"), "in_room"
    if code in member.learning and member.learning[code] <= on:
        # A knowledge test and a simulation, both done by then.
        entered = len(member.done[code]) == 2 and max(member.done[code]) <= on
        return "in_training", "in_room" if entered else "no"
    return "not_enrolled", "no"


def _capped(member: Member, answer: str) -> str:
    return "nearby" if member.is_student and answer == "alone" else answer


def figures(rows: pd.DataFrame, on: date) -> dict[str, Any]:
    """Those of the twelve months up to a day, all rows being complete for theirs."""
    before = rows[rows.day <= on]
    window = before[before.day > months_after(on, -12)]
    k, n = int(window["first"].sum()), len(window)
    interval = [float(x) for x in proportion_confint(k, n, method="wilson")] if n else None
    return {
        "insertions": n,
        "first_attempt_successes": k,
        "rate": k / n if n else None,
        "interval": interval,
        "days_since_last": (on - before.day.max()).days if len(before) else None,
    }


def findings(
    member: Member, code: str, rows: pd.DataFrame, *, on: date, start: date, rules_from: date
) -> set[tuple[str, str]]:
    """(rule, what it found) on a day. `start` is the start day, `rules_from` the first day of the rules in force."""
    if on < rules_from:
        return set()
    before = rows[rows.day <= on]
    year = before[before.day > months_after(on, -12)]
    found = {("attempts_limit", str(day)) for day in year[year.punctures > 2].day}
    found |= {("serious_event", str(day)) for day in year[year.event].day}
    if status(member, code, on)[0] == "no_placement":
        return found
    if code in member.learning and (begun := member.learning[code]) <= on and (on - max(begun, start)).days >= 90:
        # Nobody was observed here. The example rules say 90 days, common practice without a source.
        found.add(("observation_overdue", str(begun)))
    if code not in member.holds:
        return found
    awarded, expires, _ = member.holds[code]
    if on >= expires - timedelta(days=90):
        found.add(("expiry", str(expires)))
    if not awarded <= on < expires:
        return found
    since = max(awarded, start)
    found |= _of_rate(before, on, awarded, start)
    found |= _of_drift(before[before.day >= max(since, rules_from)])
    last = list(before[before.day >= since]["first"])[-5:]
    if len(last) == 5 and not any(last):
        found.add(("repeated_failure", "5"))
    latest = max([since, *before.day])
    if (on - latest).days >= 183:
        found.add(("recency", str(latest)))
    if (on - since).days >= 365 and (count := len(before[before.day > on - timedelta(days=365)])) < 12:
        found.add(("volume", str(count)))
    return found


def _of_rate(before: pd.DataFrame, on: date, awarded: date, start: date) -> set[tuple[str, str]]:
    look = on.replace(day=1)
    if look < months_after(start, 12):
        return set()
    window = before[(before.day > max(months_after(look, -12), awarded - timedelta(days=1))) & (before.day <= look)]
    k, n = int(window["first"].sum()), len(window)
    if n >= 20 and proportion_confint(k, n, method="wilson")[1] < 0.80:
        return {("first_attempt_rate", f"{k} of {n}")}
    return set()


def _of_drift(path: pd.DataFrame) -> set[tuple[str, str]]:
    failure, success = log(0.35 / 0.20), log((1 - 0.35) / (1 - 0.20))
    value = 0.0
    for step, first in enumerate(path["first"], start=1):
        value = max(0.0, value + (success if first else failure))
        if value >= 4.0:
            return {("drift", f"at insertion {step}")}
    return set()
