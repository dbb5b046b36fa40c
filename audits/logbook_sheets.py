"""Sheets of insertions: planned first, looked at, signed, then stored in one act.

    found = read_tables(workbook, columns=..., recall=...)
    plan = plan_import(actor=..., tables=found, file=<SHA-256>, days=(first, last) or None)
    ... the plan is shown: plan.report, plan.statement(...) ...
    carry_out(signer=<Confirmed for plan.digest>, plan=plan)

A plan writes nothing. Rows that are new are stored together; a changed row becomes a correction, which waits for
somebody's agreement where it changes what the entry counts for; what must be mended is reported and stays out.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from hashlib import sha256

from django.db import transaction

from audits.corrections import add_correction
from audits.countersigning import AlreadyDecided
from audits.logbook import Checked, store
from audits.logbook_fields import FIELDS, LABELS, NOTES
from audits.logbook_planning import Correction, Planned, planned, refuse
from audits.models import Insertion, Procedure, Sheet
from audits.sheet_report import Report
from ledger.acts import Recording, recording
from people.access import NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Clinician, Unit, User
from people.problems import Problem, Problems
from people.settings import add_setting
from people.signing import Confirmed, digest_of
from sheets.reading import Workbook
from sheets.table import Recall, Table, Tables, tables, usable

KIND = "logbook"
REASON = "A later sheet says otherwise."
MEANING = "sheet of insertions imported"
_NEEDED = ("staff_number", "day")

__all__ = ["FIELDS", "KIND", "NOTES", "Correction", "Plan", "carry_out", "plan_import", "read_tables"]


@dataclass(frozen=True, eq=False)
class Plan:
    """What an import would do: the report on every row, what is stored, and the digest that is signed."""

    actor: User
    report: Report
    file: str
    planned: Planned
    unit_paths: tuple[str, ...]
    unit_uuids: tuple[str, ...]
    procedures: Mapping[str, str]
    digest: str = field(default="")

    @property
    def has_work(self) -> bool:
        return bool(self.planned.ready or self.planned.corrections)

    @property
    def statement(self) -> str:
        """What is signed, in words."""
        claim, where = self.planned.claim, _listed(self.unit_paths) or "no unit"
        if claim.first is None or claim.last is None:
            return f"The sheet is partial for {where}: insertions may be missing, and no rate is worked out from it."
        first = in_words(claim.first)
        said = (
            f"The sheet is complete for {where} from {first} through {in_words(claim.last)}: every insertion by its "
            "people on these units and days is in it."
        )
        if self.planned.opens:
            names = _listed(sorted({self.procedures[code] for _, code in self.planned.opens}))
            said += f" No start day was set there for {names}: it will be {first}."
        return said


def read_tables(
    workbook: Workbook, *, columns: Mapping[str, str | None] | None = None, recall: Recall | None = None
) -> Tables:
    """The tables of a workbook that are insertions. Raises FileRefused if none is."""
    found = tables(workbook, FIELDS, columns=columns, recall=recall)
    return usable(found, "insertions", LABELS, _lacking)


def _lacking(table: Table) -> list[str]:
    lacking = [name for name in _NEEDED if name not in table.columns]
    if not table.columns.keys() & {"result", "first_time"}:
        lacking.append("result")
    return lacking


def plan_import(*, actor: User, tables: Tables, file: str, days: tuple[date, date] | None) -> Plan:
    """Read every row and say what becomes of it. `days`: the first and last for which the sheet is complete.

    Raises NotPermitted for somebody who is no educator anywhere, Problems for days in the wrong order or the future.
    """
    access = access_of(actor)
    if not access.may_somewhere(Right.LOG_ON_BEHALF):
        raise NotPermitted(f"{actor.pk} may not import insertions: an educator does")
    if wrong := _days_problems(days, access.on):
        raise Problems(wrong)
    report = Report(tables, LABELS)
    procedures = tuple(Procedure.objects.all())
    found = planned(tables, report, access, procedures=procedures, days=days)
    plan = Plan(
        actor=actor,
        report=report,
        file=file,
        planned=found,
        unit_paths=tuple(sorted(access.tree.path(each) for each in found.claim.units)),
        unit_uuids=tuple(sorted(str(access.tree.nodes[each].uuid) for each in found.claim.units)),
        procedures={each.code: each.name for each in procedures},
    )
    return replace(plan, digest=_digest(plan))


def carry_out(
    *, signer: Confirmed, plan: Plan, before: Callable[[], None] | None = None, after: Callable[[], None] | None = None
) -> Report:
    """Store the plan in one act, signed; `before` and `after` run within its transaction. Returns the report.

    A correction that became impossible meanwhile is refused in the report. Raises NotConfirmed if the plan was not what
    the signer was shown; Conflict if an entry was stored meanwhile; ValueError for another's plan, or an empty one.
    """
    if signer.user.pk != plan.actor.pk or not plan.has_work:
        raise ValueError(f"plan of {plan.actor.pk}, {'' if plan.has_work else 'empty, '}signed by {signer.user.pk}")
    claim = plan.planned.claim
    with transaction.atomic():
        if before is not None:
            before()
        _lock(plan.planned)
        with recording(actor=signer.user, kind="logbook.imported") as rec:
            sheet = Sheet.objects.create(
                digest=plan.file,
                complete_from=claim.first,
                complete_through=claim.last,
                by=signer.user,
                known_from_id=rec.seq,
            )
            sheet.units.set(claim.units)
            rec.subject = sheet.uuid
            _open(plan.planned, rec)
            stored = store(Checked(list(plan.planned.ready), [], [], []), rec=rec, sheet=sheet)
            for correction in plan.planned.corrections:
                _correct(correction, signer.user, plan.report, rec)
            signer.use(plan.digest, rec, role=_role(signer.user, claim.units))
            rec.content |= {"file": plan.file, "rows": list(stored.digests), "statement": _statement(plan)}
        if after is not None:
            after()
    return plan.report


def _open(found: Planned, rec: Recording) -> None:
    """Set the start days that the statement reaches back to."""
    first = found.claim.first
    for unit, code in found.opens:
        assert first is not None
        where = Unit.objects.get(pk=unit)
        add_setting(rec, unit=where, name="start_day", value=first.isoformat(), about=code, from_day=first)


def _correct(correction: Correction, actor: User, report: Report, rec: Recording) -> None:
    try:
        with transaction.atomic():
            standing = Insertion.objects.known().get(uuid=correction.entry.uuid)
            add_correction(rec, actor=actor, insertion=standing, entry=correction.entry, reason=REASON)
    except (Problems, AlreadyDecided) as refusal:
        refuse(report, correction.rows, [Problem("", str(refusal))])


def _days_problems(days: tuple[date, date] | None, today: date) -> list[Problem]:
    if days is None:
        return []
    if days[0] > days[1]:
        return [Problem("last", "The last complete day lies before the first.")]
    if days[1] > today:
        return [Problem("last", "No sheet is complete for days to come: give today or an earlier day.")]
    return []


def _statement(plan: Plan) -> dict[str, object]:
    first, last = plan.planned.claim.first, plan.planned.claim.last
    return {
        "complete": None if first is None or last is None else [first.isoformat(), last.isoformat()],
        "units": list(plan.unit_uuids),
        "start_days": [code for _, code in plan.planned.opens],
    }


def _digest(plan: Plan) -> str:
    rows = sha256()
    for ready, digest in zip(plan.planned.ready, plan.planned.digests, strict=True):
        rows.update(ready.entry.uuid.bytes + digest)
    for correction in plan.planned.corrections:
        rows.update(correction.entry.uuid.bytes + correction.digest)
    return digest_of({"file": plan.file, "rows": rows.hexdigest(), "statement": _statement(plan)})


def _role(user: User, units: frozenset[int]) -> str:
    access = access_of(user)
    return access.as_printed(each for each in access.appointments if access.tree.below(each.unit_id) & units)


def _lock(found: Planned) -> None:
    whose = {each.clinician for each in found.ready}
    about = [each.entry.uuid for each in found.corrections]
    whose |= set(Insertion.objects.known().filter(uuid__in=about).values_list("clinician", flat=True))
    # Everybody in one order, as every other write takes them.
    list(Clinician.objects.select_for_update().filter(pk__in=whose).order_by("pk").values_list("pk"))


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names[:-1]) + (" and " if len(names) > 1 else "") + names[-1] if names else ""
