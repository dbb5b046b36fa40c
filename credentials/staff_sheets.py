"""Staff lists: rehearsed first, looked at, signed, then taken in by one act.

    found = read_tables(workbook, columns=..., recall=...)
    plan = rehearse(actor=..., tables=found, file=<SHA-256>)
    ... plan.report is shown ...
    carry_out(signer=<Confirmed for plan.digest>, plan=plan)

A rehearsal is the real thing, taken back: the same writes in a transaction that never ends well, so that what is shown
is what will be. Each row stands for itself: one that is refused leaves nothing behind, the good ones go in together.
"""

import secrets
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256

from django.db import transaction

from audits.models import Procedure
from audits.sheet_report import Becomes, Report
from credentials.staff_fields import FIELDS, LABELS, NOTES, OF_STAFF
from credentials.staff_rows import Said, in_order, read_row, width_of_numbers
from credentials.staff_writing import Writer
from ledger.acts import Recording, recording
from ledger.canonical import canonical, digest
from people.access import Access, NotPermitted, Right, access_of
from people.models import Unit, User
from people.problems import Problems
from people.signing import Confirmed, NotConfirmed, digest_of
from sheets.reading import Workbook
from sheets.table import Recall, Tables, tables

__all__ = ["FIELDS", "KIND", "MEANING", "NOTES", "Plan", "carry_out", "read_tables", "rehearse"]

KIND = "staff"
MEANING = "staff list imported"
_ACT = "staff.imported"


class _TakenBack(Exception):  # noqa: N818
    """The end of a rehearsal."""


@dataclass(frozen=True, eq=False)
class Plan:
    """What an import would do: the report on every row, and the digest that is signed."""

    actor: User
    report: Report
    file: str
    digest: str

    @property
    def has_work(self) -> bool:
        return self.report.counts[Becomes.NEW] > 0

    @property
    def statement(self) -> str:
        """What is signed, in words."""
        rows = self.report.counts[Becomes.NEW]
        return f"{rows} {'row' if rows == 1 else 'rows'} of this staff list are to be taken in as shown."


def read_tables(
    workbook: Workbook, *, columns: Mapping[str, str | None] | None = None, recall: Recall | None = None
) -> Tables:
    """The tables of a workbook that are staff lists. Raises FileRefused if none is."""
    return tables(workbook, FIELDS, columns=columns, recall=recall)


def rehearse(*, actor: User, tables: Tables, file: str) -> Plan:
    """Say what becomes of every row, by doing it and taking it back. Raises NotPermitted for who may take in nobody."""
    access = access_of(actor)
    if not access.may_somewhere(Right.PLACE):
        raise NotPermitted(f"{actor.pk} may not import a staff list")
    report = _report(tables)
    said = _read(tables, report)
    try:
        with transaction.atomic(), recording(actor=actor, kind=_ACT) as rec:
            _take_in(rec, said, access, report)
            raise _TakenBack
    except _TakenBack:
        pass
    return Plan(actor, report, file, _digest(file, report))


def carry_out(
    *, signer: Confirmed, plan: Plan, before: Callable[[], None] | None = None, after: Callable[[], None] | None = None
) -> Report:
    """Take the rows in by one act, signed; `before` and `after` run within its transaction. Returns the report.

    Raises NotConfirmed if they would not become what the signer was shown, ValueError for another's or an empty plan.
    """
    if signer.user.pk != plan.actor.pk or not plan.has_work:
        raise ValueError(f"plan of {plan.actor.pk}, {'' if plan.has_work else 'empty, '}signed by {signer.user.pk}")
    access = access_of(signer.user)
    report = _report(plan.report.tables)
    said = _read(plan.report.tables, report)
    with transaction.atomic():
        if before is not None:
            before()
        # Whoever else changes the tree waits, as for any unit that is opened.
        list(Unit.objects.select_for_update().filter(level=Unit.Level.GROUP))
        with recording(actor=signer.user, kind=_ACT) as rec:
            _take_in(rec, said, access, report)
            if _digest(plan.file, report) != plan.digest:
                raise NotConfirmed("The register changed meanwhile, and rows would become something else. Look again.")
            signer.use(plan.digest, rec, role=access.printed_for(Right.PLACE))
            _tell(rec, said, plan.file, report)
        if after is not None:
            after()
    return report


def _report(tables: Tables) -> Report:
    return Report(tables, LABELS, of_staff=OF_STAFF, judge_values=False)


def _read(tables: Tables, report: Report) -> list[Said]:
    found: list[Said] = []
    position = 0
    for table in tables:
        width = width_of_numbers(table)
        if width:
            report.remark(
                f"Staff numbers that are numbers were filled up with zeros to {width} digits.", sheet=table.sheet
            )
        for row in table.rows():
            said, problems = read_row(table, position, row, report.warn, width=width)
            if said is None:
                report.refuse(position, problems)
            else:
                found.append(said)
            position += 1
    return found


def _take_in(rec: Recording, said: Sequence[Said], access: Access, report: Report) -> None:
    """Row by row, each inside a savepoint; what failed for want of a later row is tried once more."""
    warned: dict[int, list[tuple[str, str]]] = {}
    writer = Writer(
        rec,
        actor=access.user,
        access=access,
        procedures=Procedure.objects.all(),
        warn=lambda position, field, text: warned.setdefault(position, []).append((field, text)),
        paths=[each.path for each in said if each.path],
    )
    refused = _pass(in_order(said), writer, warned, report)
    still = _pass([each for each, _ in refused], writer, warned, report) if refused else []
    for each, problems in still:
        report.refuse(each.position, problems.items)
    for position in sorted(warned):
        for field, text in warned[position]:
            report.warn(position, field, text)


def _pass(
    said: Iterable[Said], writer: Writer, warned: dict[int, list[tuple[str, str]]], report: Report
) -> list[tuple[Said, Problems]]:
    refused = []
    for each in said:
        mark = writer.begin()
        try:
            with transaction.atomic():
                changed = writer.take(each)
        except Problems as problems:
            writer.forget(mark)
            warned.pop(each.position, None)
            refused.append((each, problems))
        else:
            report.becomes[each.position] = Becomes.NEW if changed else Becomes.ALREADY
    return refused


def _digest(file: str, report: Report) -> str:
    """What is signed: the file, and what becomes of each of its rows."""
    becomes = sha256("\n".join(report.becomes).encode()).hexdigest()
    return digest_of({"file": file, "kind": KIND, "becomes": becomes})


def _tell(rec: Recording, said: Sequence[Said], file: str, report: Report) -> None:
    """The act names each row that was taken in by a digest. The salt stands with the personal text and ends with it."""
    salt = secrets.token_hex(16)
    taken = [each for each in said if report.becomes[each.position] == Becomes.NEW]
    rec.content |= {"file": file, "rows": [digest(salt + canonical(_plain(each))) for each in taken]}
    rec.personal = {"salt": salt}


def _plain(said: Said) -> dict[str, object]:
    values = {name: getattr(said, name) for name in Said.__slots__}
    return {
        name: value.isoformat() if hasattr(value, "isoformat") else list(value) if isinstance(value, tuple) else value
        for name, value in values.items()
    }
