"""Lists of completions: planned first, looked at, signed, then stored in one act.

    found = read_tables(workbook, columns=..., recall=...)
    plan = plan_import(actor=..., tables=found, file=<SHA-256>)
    ... plan.report and plan.statement are shown ...
    carry_out(signer=<Confirmed for plan.digest>, plan=plan)

A plan writes nothing. Each row stands for itself. What stands in the register already is passed over; a row that says
the opposite of what stands is refused, since a completion is never changed: it is withdrawn on the person's page first.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from hashlib import sha256

from django.db import transaction

from audits.completions import NewCompletion, add_completions, plain
from audits.directory import people
from audits.logbook_planning import zeros_differ
from audits.models import Completion, Procedure
from audits.sheet_report import Becomes, Report
from credentials.completion_fields import FIELDS, LABELS, NOTES, OF_STAFF
from credentials.completion_rows import Reader, Register
from ledger.acts import recording
from ledger.canonical import canonical
from people import clock
from people.access import Access, NotPermitted, Right, access_of
from people.models import Clinician, User
from people.problems import Problem
from people.signing import Confirmed, NotConfirmed, digest_of
from sheets.reading import Workbook
from sheets.table import Recall, Table, Tables, tables, usable

__all__ = ["FIELDS", "KIND", "MEANING", "NOTES", "Plan", "carry_out", "plan_import", "read_tables"]

KIND = "completions"
MEANING = "list of completions imported"
_ACT = "completions.imported"
_WITHDRAW = "If that is wrong, withdraw it on the person's page, then import again."


@dataclass(frozen=True, eq=False)
class Plan:
    """What an import would do: the report on every row, what is stored, and the digest that is signed.

    `unnamed` are the stored rows that do not say who saw the proof: whoever signs vouches for it.
    """

    actor: User
    report: Report
    file: str
    new: tuple[NewCompletion, ...]
    unnamed: int
    digest: str

    @property
    def has_work(self) -> bool:
        return bool(self.new)

    @property
    def statement(self) -> str:
        """What is signed, in words."""
        number = len(self.new)
        what = "1 completion of this list is" if number == 1 else f"{number} completions of this list are"
        said = f"{what} to be stored as shown."
        if self.unnamed:
            some = "1 row does" if self.unnamed == 1 else f"{self.unnamed} rows do"
            said += f" {some} not say who saw the proof: it is you, {self.actor.name}."
        return said


def read_tables(
    workbook: Workbook, *, columns: Mapping[str, str | None] | None = None, recall: Recall | None = None
) -> Tables:
    """The tables of a workbook that are completions. Raises FileRefused if none is."""
    found = tables(workbook, FIELDS, columns=columns, recall=recall)
    return usable(found, "completions", LABELS, lambda table: table.missing)


def plan_import(*, actor: User, tables: Tables, file: str) -> Plan:
    """Read every row and say what becomes of it. Raises NotPermitted for somebody who is no educator anywhere."""
    access = access_of(actor)
    if not access.may_somewhere(Right.DECIDE):
        raise NotPermitted(f"{actor.pk} may not import completions: an educator does")
    report = Report(tables, LABELS, of_staff=OF_STAFF, judge_values=False)
    new, unnamed = _planned(tables, report, access)
    return Plan(actor, report, file, new, unnamed, _digest(file, new))


def carry_out(
    *, signer: Confirmed, plan: Plan, before: Callable[[], None] | None = None, after: Callable[[], None] | None = None
) -> Report:
    """Store the plan in one act, signed; `before` and `after` run within its transaction. Returns the report.

    Raises NotConfirmed if the rows would not become what the signer was shown, ValueError for another's or an empty
    plan.
    """
    if signer.user.pk != plan.actor.pk or not plan.has_work:
        raise ValueError(f"plan of {plan.actor.pk}, {'' if plan.has_work else 'empty, '}signed by {signer.user.pk}")
    with transaction.atomic():
        if before is not None:
            before()
        _lock(plan.new)
        # Once more, now that nobody else writes about these people.
        again = plan_import(actor=signer.user, tables=plan.report.tables, file=plan.file)
        if again.digest != plan.digest:
            raise NotConfirmed("The register changed meanwhile, and rows would become something else. Look again.")
        with recording(actor=signer.user, kind=_ACT) as rec:
            digests = add_completions(rec, again.new)
            signer.use(plan.digest, rec, role=access_of(signer.user).printed_for(Right.DECIDE))
            rec.content |= {"file": plan.file, "rows": digests}
        if after is not None:
            after()
    return again.report


@dataclass(frozen=True, slots=True)
class _Stands:
    """A completion that a row may repeat: of the register, or of an earlier row of the list."""

    result: str
    about: str
    passed: bool
    valid_until: date | None
    in_register: bool


_Key = tuple[int, int, str, date]


def _planned(tables: Tables, report: Report, access: Access) -> tuple[tuple[NewCompletion, ...], int]:
    """What would be stored, and how much of it does not say who saw the proof; the rest stands in the report."""
    decided = {each.pk: each for each in access.clinicians_for(Right.DECIDE)}
    me = access.clinician.pk if access.clinician else None
    register = Register(people(), decided, me, tuple(Procedure.objects.all()), access.user.name)
    read: list[tuple[int, NewCompletion, bool]] = []
    position = 0
    for table in tables:
        _say_what_is_not_read(table, report)
        reader = Reader(table, register, report.warn)
        for row in table.rows():
            unnamed = reader.unnamed
            new, problems = reader.read(position, row)
            if new is None:
                report.refuse(position, problems)
            else:
                read.append((position, new, reader.unnamed > unnamed))
            position += 1
        if reader.zeros_added:
            report.remark(zeros_differ(reader.zeros_added), sheet=table.sheet, column="staff_number")
    stands = _standing([new for _, new, _ in read])
    kept: list[NewCompletion] = []
    vouched = 0
    for position, new, unnamed in read:
        if _is_new(position, new, stands, report):
            kept.append(new)
            vouched += unnamed
    return tuple(kept), vouched


def _say_what_is_not_read(table: Table, report: Report) -> None:
    """A column that no field claims might be the one that says who did not come: nobody should miss it."""
    names = [each.column.heading for each in table.unused if each.column.heading]
    if names:
        report.remark(f"Not read, since no field claims them: {', '.join(names).rstrip('.')}.", sheet=table.sheet)


def _standing(found: Sequence[NewCompletion]) -> dict[_Key, list[_Stands]]:
    """What the register knows for the days of these rows. One query."""
    stands: dict[_Key, list[_Stands]] = defaultdict(list)
    if not found:
        return stands
    span = min(each.on for each in found), max(each.on for each in found)
    rows = Completion.objects.known().filter(on__range=span).order_by("pk")
    columns = ("clinician", "procedure", "kind", "on", "result", "about", "passed", "valid_until")
    whose = {each.clinician.pk for each in found}
    for clinician, procedure, kind, on, *said in rows.values_list(*columns):
        if clinician in whose:
            result, about, passed, valid_until = said
            own = _Stands(plain(result), plain(about), passed, valid_until, True)
            stands[clinician, procedure, kind, on].append(own)
    return stands


def _is_new(position: int, new: NewCompletion, stands: dict[_Key, list[_Stands]], report: Report) -> bool:
    """Whether the row brings something; if not, the report says what becomes of it."""
    same = stands[new.clinician.pk, new.procedure.pk, str(new.kind), new.on]
    own = _Stands(plain(new.result), plain(new.about), new.passed, new.valid_until, False)
    exact = next((each for each in same if (each.result, each.about) == (own.result, own.about)), None)
    if exact is not None:
        if problems := _opposite(own, exact):
            report.refuse(position, problems)
            return False
        report.becomes[position] = Becomes.ALREADY
        if not exact.in_register:
            report.warn(position, "day", "An earlier row says the same: it is stored once.")
        return False
    like = next((each for each in same if _may_be_one(own, each)), None)
    if like is not None:
        report.becomes[position] = Becomes.ALREADY
        report.warn(position, "day", _taken_for_the_same(own, like))
        return False
    same.append(own)
    return True


def _may_be_one(row: _Stands, other: _Stands) -> bool:
    """Whether they differ only in that one of them leaves out a score or a title."""
    pairs = ((row.result, other.result), (row.about, other.about))
    return row.passed == other.passed and all(one == two or not one or not two for one, two in pairs)


def _taken_for_the_same(row: _Stands, other: _Stands) -> str:
    where = "It stands in the register" if other.in_register else "It stands in an earlier row"
    if (row.result, row.about) == ("", "") or not other.in_register:
        return f"{where} for that day, with another score or title or none: taken for the same."
    advice = "To have them noted, withdraw that one on the person's page, then import again."
    return f"{where} for that day, without this score or title: taken for the same. {advice}"


def _opposite(row: _Stands, other: _Stands) -> list[Problem]:
    """What the row says otherwise than the same completion that stands."""
    where, advice = ("In the register it", _WITHDRAW) if other.in_register else ("In an earlier row it", "Mend one.")
    if row.passed != other.passed:
        was = "passed" if other.passed else "not passed"
        return [Problem("passed", f"{where} was {was}. {advice}")]
    if row.valid_until is not None and row.valid_until != other.valid_until:
        return [Problem("valid_through", f"{where} holds {clock.through(other.valid_until)}. {advice}")]
    return []


def _digest(file: str, new: Sequence[NewCompletion]) -> str:
    """What is signed: the file, and what would be stored of it."""
    rows = sha256()
    for each in new:
        said = {
            "about": each.about,
            "clinician": str(each.clinician.uuid),
            "kind": str(each.kind),
            "on": each.on.isoformat(),
            "passed": each.passed,
            "procedure": each.procedure.code,
            "result": each.result,
            "valid_until": each.valid_until and each.valid_until.isoformat(),
            "verified_by": each.verified_by,
        }
        rows.update(canonical(said).encode())
    return digest_of({"file": file, "kind": KIND, "rows": rows.hexdigest()})


def _lock(new: Sequence[NewCompletion]) -> None:
    whose = {each.clinician.pk for each in new}
    # Everybody in one order, as every other write takes them.
    list(Clinician.objects.select_for_update().filter(pk__in=whose).order_by("pk").values_list("pk"))
