"""Planning the import of a logbook sheet: what becomes of each row, before anything is written."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from uuid import UUID, uuid4

from audits import clock_changes, sheet_matching
from audits.directory import Places, people
from audits.entry import Entry
from audits.logbook import Refused, check
from audits.logbook_known import FromSheets, OnForms, digest_of_entry, from_sheets, is_nearly
from audits.logbook_rows import Occasion, Reader, Register
from audits.models import Procedure
from audits.resolving import Claim, Context, Ready, Source
from audits.sheet_matching import Match, Wanted, base_of
from audits.sheet_report import Becomes, Report
from ledger import register
from people.access import Access, Right
from people.problems import Problem
from people.settings import book
from sheets.table import Table, Tables

# What a problem of a check is about, in the fields of a sheet.
_FIELD_OF = {"performed": "day", "fold": "time", "clinician": "staff_number"}
_NO_FIELD = {
    "band": "No column gives the patient group: every row was read as adult.",
    "events": "No column tells of serious events: none can be counted from these rows.",
    "supervisor": "No column names supervisors: the rows give no credit unless accepted on other evidence.",
}
_EXAMPLES = 3
_NO_ATTEMPTS = "No column tells the number of attempts: a row that worked was read as working first time."


@dataclass(frozen=True, slots=True)
class Correction:
    """A row that says otherwise than the entry that it is: positions of its rows, and the entry as it would be."""

    rows: tuple[int, ...]
    entry: Entry
    digest: bytes


@dataclass(frozen=True, slots=True)
class Planned:
    """What would be stored of a sheet, and with which claim; what else becomes of its rows stands in the report.

    `opens` are (unit, procedure's code) of which the start day would be set.
    """

    claim: Claim
    ready: tuple[Ready, ...] = ()
    digests: tuple[bytes, ...] = ()  # of what each of them says
    corrections: tuple[Correction, ...] = ()
    opens: tuple[tuple[int, str], ...] = ()


def planned(
    tables: Tables,
    report: Report,
    access: Access,
    *,
    procedures: tuple[Procedure, ...],
    days: tuple[date, date] | None,
) -> Planned:
    """Read every row, match it with what is stored, check it; say in the report what becomes of it."""
    occasions = _occasions(tables, Register(people(), Places(access.tree), procedures), report, access)
    units = frozenset(each.unit for each in occasions if each.unit is not None)
    claim = Claim(units, *days, units & access.units_for(Right.KEEP_RULES)) if days else Claim(units)
    matched = _match(occasions, procedures, report, access, claim)
    new = [each for each in matched if each.match == Match.NEW]
    ready = _left_out(_checked(new, claim, report), new, report)
    corrections = _corrections([each for each in matched if each.match == Match.CHANGED], report)
    digest_of = {each.entry.uuid: each.digest for each in new}
    digests = tuple(digest_of[each.entry.uuid] for each in ready)
    return Planned(claim, tuple(ready), digests, tuple(corrections), _opens(ready, access))


@dataclass(slots=True)
class _Matched:
    match: Match
    rows: tuple[int, ...]
    entry: Entry
    digest: bytes


def _occasions(tables: Tables, register: Register, report: Report, access: Access) -> list[Occasion]:
    """The occasions that can be read and lie within the reach of who imports; the rest is refused."""
    reach = access.units_for(Right.LOG_ON_BEHALF)
    found: list[Occasion] = []
    position = 0
    for table in tables:
        _say_what_lacks(table, report)
        reader = Reader(table, register, report.warn)
        for row in table.rows():
            occasion = reader.occasion(position, row)
            position += 1
            if occasion is None:
                continue
            if not occasion.problems:
                _place(occasion, reach, access, report)
            if occasion.problems:
                report.refuse(occasion.rows[0], occasion.problems)
            else:
                found.append(occasion)
        if reader.zeros_added:
            report.remark(zeros_differ(reader.zeros_added), sheet=table.sheet, column="staff_number")
    return found


def zeros_differ(numbers: Mapping[str, str]) -> str:
    """Which staff numbers were found though zeros at their beginning differ, the first few by name."""
    first = "; ".join(f"{said} is {known}" for said, known in list(numbers.items())[:_EXAMPLES])
    more = f"; and {len(numbers) - _EXAMPLES} more" if len(numbers) > _EXAMPLES else ""
    return f"Zeros at the beginning differ, and only one number fits: {first}{more}."


def _place(occasion: Occasion, reach: frozenset[int], access: Access, report: Report) -> None:
    """What the unit says about the row: whether it is in reach, and what its clocks did."""
    entry, unit = occasion.entry, occasion.unit
    assert entry is not None
    assert unit is not None
    if unit not in reach:
        occasion.problems.append(Problem("unit", "You are no educator of this unit."))
    elif entry.time_known and clock_changes.never_was(entry.performed, access.tree.zone(unit)):
        occasion.problems.append(Problem("time", "The clocks went forward over this time: it never was. Check it."))
    elif entry.time_known and clock_changes.came_twice(entry.performed, access.tree.zone(unit)):
        occasion.entry = replace(entry, fold=0)
        report.warn(occasion.rows[0], "time", "This time came twice that night: read as the first.")


def _say_what_lacks(table: Table, report: Report) -> None:
    for name, text in _NO_FIELD.items():
        if name not in table.columns and not (name == "band" and "procedure" in table.columns):
            report.remark(text, sheet=table.sheet)
    if not table.columns.keys() & {"attempts", "first_time", "attempt_number", "site_2", "gauge_2", "result_2"}:
        report.remark(_NO_ATTEMPTS, sheet=table.sheet)


def _match(
    occasions: Sequence[Occasion], procedures: Sequence[Procedure], report: Report, access: Access, claim: Claim
) -> list[_Matched]:
    """Each occasion as what it is to the entries of earlier sheets; those stored already are left out."""
    if not occasions:
        return []
    codes = {(each.band, each.technique): each.code for each in procedures}
    wanted, entries = [], []
    for each in occasions:
        assert each.entry is not None
        assert each.person is not None
        assert each.person.clinician is not None
        assert each.unit is not None
        entry, performed = each.entry, each.entry.performed
        entries.append(entry)
        base = base_of(
            staff_number=each.person.staff_number,
            procedure=codes.get(entry.procedure, "/".join(entry.procedure)),
            day=performed.date().isoformat(),
            time=f"{performed:%H:%M}" if entry.time_known else "",
        )
        pool = (each.person.clinician, performed.date().toordinal())
        wanted.append(Wanted(pool, base, each.unit, digest_of_entry(entry)))
    # The days that are said to be complete as well, to see what is missing on them.
    claimed = [day for day in (claim.first, claim.last) if day is not None]
    days = [*(entry.performed.date() for entry in entries), *claimed]
    known = from_sheets({each.pool[0] for each in wanted}, min(days), max(days))
    found = sheet_matching.match(
        wanted,
        known.pools,
        register=register.this().uuid,
        alike=lambda place, uuid: is_nearly(known.said(uuid), entries[place]),
    )
    _say_doubles(occasions, wanted, report)
    _say_what_is_gone(wanted, {uuid for _, uuid in found}, known, report, access, claim)
    matched = []
    upgraded = 0
    for each, entry, row, (kind, uuid) in zip(occasions, entries, wanted, found, strict=True):
        rows = tuple(each.rows)
        if kind == Match.ALREADY:
            _become(report, rows, Becomes.ALREADY)
            upgraded += uuid in known.partial and claim.covers(row.unit, entry.performed.date())
        elif kind == Match.CHANGED and uuid in known.waiting:
            text = "A change of this entry waits for a decision: have it decided, then import again."
            refuse(report, rows, [Problem("", text)])
        elif kind == Match.CHANGED and known.units[uuid] not in access.units_for(Right.LOG_ON_BEHALF):
            refuse(report, rows, [Problem("unit", "The entry stands on a unit of which you are no educator.")])
        else:
            matched.append(_Matched(kind, rows, replace(entry, uuid=uuid), row.digest))
    if upgraded:
        report.remark(f"{upgraded} entries are stored as partial or from paper already, and stay so.")
    return matched


def _say_doubles(occasions: Sequence[Occasion], wanted: Sequence[Wanted], report: Report) -> None:
    """Two rows that say the same to the minute are likely one, pasted twice. Both are kept: nobody guesses."""
    seen: set[tuple[str, bytes]] = set()
    for each, row in zip(occasions, wanted, strict=True):
        if each.entry is None or not each.entry.time_known:
            continue
        if (row.base, row.digest) in seen:
            text = "An earlier row says exactly the same: both are kept. Delete this one if it is a double."
            report.warn(each.rows[0], "time", text)
        seen.add((row.base, row.digest))


def _say_what_is_gone(
    wanted: Sequence[Wanted], found: set[UUID], known: FromSheets, report: Report, access: Access, claim: Claim
) -> None:
    gone: dict[int, int] = {}
    for (_, day), entries in known.pools.items():
        for each in entries:
            if each.uuid not in found and not each.withdrawn and claim.covers(each.unit, date.fromordinal(day)):
                gone[each.unit] = gone.get(each.unit, 0) + 1
    for unit, number in sorted(gone.items()):
        some = "1 entry" if number == 1 else f"{number} entries"
        text = f"{access.tree.path(unit)}: {some} of an earlier sheet on these days are not in this one. They stay."
        report.remark(f"{text} Withdraw what was wrong on its page.")


def _checked(new: Sequence[_Matched], claim: Claim, report: Report) -> list[Ready]:
    """Those of the new entries that can be stored; the rest is refused."""
    context = Context(Source.SHEET, claim)
    by_uuid = {each.entry.uuid: each for each in new}
    checked = check([each.entry for each in new], context=context)
    for each in checked.refused:
        refuse(report, by_uuid[each.entry.uuid].rows, _named(each))
    return checked.ready


def _left_out(ready: Sequence[Ready], new: Sequence[_Matched], report: Report) -> list[Ready]:
    """Without those that somebody entered on the form already."""
    if not ready:
        return []
    days = [each.performed_on for each in ready]
    forms = OnForms({each.clinician for each in ready}, min(days), max(days))
    if not forms:
        return list(ready)
    rows = {each.entry.uuid: each.rows for each in new}
    kept = []
    for each in ready:
        looks = forms.take((each.clinician, each.performed_on.toordinal()), each.entry, each.performed_at)
        place = rows[each.entry.uuid]
        if looks == "same":
            _become(report, place, Becomes.LEFT_OUT)
            text = "An entry on the form looks the same (person, day, ten minutes, gauge, site): this row was left out."
            report.warn(place[0], "time", text)
            continue
        if looks:
            text = "There is an entry of that day with the same gauge and site on the form; without a time nobody can "
            report.warn(place[0], "day", f"{text}tell whether it is this one. The row is kept.")
        kept.append(each)
    return kept


def _corrections(changed: Sequence[_Matched], report: Report) -> list[Correction]:
    """Those of the changed rows that could be stored as they stand; the rest is refused."""
    by_uuid = {uuid4(): each for each in changed}
    checked = check(
        [replace(each.entry, uuid=uuid) for uuid, each in by_uuid.items()], context=Context(Source.SHEET, Claim())
    )
    for refused in checked.refused:
        refuse(report, by_uuid.pop(refused.entry.uuid).rows, _named(refused))
    for each in by_uuid.values():
        _become(report, each.rows, Becomes.CORRECTION)
    return [Correction(each.rows, each.entry, each.digest) for each in by_uuid.values()]


def _opens(ready: Sequence[Ready], access: Access) -> tuple[tuple[int, str], ...]:
    """(unit, procedure) of complete rows for which no start day was ever set: signing sets it."""
    complete = {(each.unit, each.procedure_code) for each in ready if each.source == Source.SHEET}
    now = book()
    return tuple(
        sorted(
            (unit, code)
            for unit, code in complete
            if now.value("start_day", access.tree.above(unit), code, on=date.max) is None
        )
    )


def _named(refused: Refused) -> list[Problem]:
    """The problems of a check, beside the fields of a sheet."""
    found = []
    for each in refused.problems:
        part = each.field.rpartition(".")[2] if each.field.startswith("attempts.") else each.field
        found.append(Problem(_FIELD_OF.get(part, part), each.text))
    return found


def refuse(report: Report, rows: Sequence[int], problems: Sequence[Problem]) -> None:
    report.refuse(rows[0], problems)
    for row in rows[1:]:
        report.refuse(row, [Problem("", "Another row of this occasion was refused.")])


def _become(report: Report, rows: Sequence[int], kind: Becomes) -> None:
    for row in rows:
        report.becomes[row] = kind
