"""A logbook: somebody's entries over a period, with who stated what about each, and whether it was changed since."""

import json
from collections.abc import Iterable, Sequence
from datetime import date
from zoneinfo import ZoneInfo

from audits.models import Insertion, Statement
from audits.states import state_of, with_state
from audits.wording import summary
from credentials.papers.paper import Paper, Section
from ledger.acts import head
from people.clock import in_words
from people.models import Clinician
from people.tree import tree

COLUMNS = ("Day", "Unit", "Procedure", "How it went", "Supervisor", "Statement", "Changed since first entered")
WIDTHS = (3, 5, 4, 5, 3, 7, 5)


def logbook(clinician: Clinician, *, first: date | None, last: date | None, made: str, by: str) -> Paper:
    """The logbook as known now, by day. Both days are in it; None: from the first entry, to the last."""
    rows = entries_of(clinician, first=first, last=last)
    since = f"from {in_words(first)}" if first else "from the first entry"
    until = f"through {in_words(last)}" if last else "to the last one"
    return Paper(
        name="logbook",
        title=f"Logbook of {clinician.name}",
        facts=facts_of(clinician),
        holds=f"Every entry {since} {until}, {len(rows)} in all. Withdrawn ones stay and count for nothing. "
        "It holds nothing about patients.",
        sections=[lines(rows)],
        made=made,
        by=by,
        known=head(),
    )


def facts_of(clinician: Clinician) -> list[tuple[str, str]]:
    registration = clinician.user.registration if clinician.user else ""
    found = [
        ("Name", clinician.name),
        ("Profession", clinician.get_profession_display()),
        ("Staff number", clinician.staff_number),
    ]
    return [*found, ("Registration", registration)] if registration else found


def entries_of(clinician: Clinician, *, first: date | None = None, last: date | None = None) -> list[Insertion]:
    """The versions that stand, by day, read with what `lines` needs."""
    rows = Insertion.objects.known().filter(clinician=clinician)
    if first:
        rows = rows.filter(performed_on__gte=first)
    if last:
        rows = rows.filter(performed_on__lte=last)
    return list(with_state(rows.select_related("procedure", "supervisor")).order_by("performed_at", "pk"))


def lines(rows: Iterable[Insertion]) -> Section:
    """One line for each entry, with its statement's printed name, role and moment."""
    places = tree()
    return Section(
        title="Entries",
        columns=COLUMNS,
        widths=WIDTHS,
        rows=[
            (
                _when(each),
                places.path(each.unit_id),
                each.procedure.name,
                summary(each),
                each.supervisor.name if each.supervisor else "Nobody",
                _stated(each),
                changed(each),
            )
            for each in rows
        ],
        empty="No entry in these days.",
    )


def statement_words(row: Statement, zone: str) -> str:
    """Countersigned, in the room: Su Pervisor, Supervisor, 2 March 2026, 14:10 Australia/Adelaide."""
    at = row.signed_at.astimezone(ZoneInfo(zone))
    who = [row.printed_name, row.role, f"registration {row.registration}" if row.registration else ""]
    said = ", ".join(part for part in who if part)
    note = f" ({row.note})" if row.note else ""
    return f"{row.get_kind_display()}: {said}, {in_words(at.date())}, {at:%H:%M} {zone}{note}"


def changed(row: Insertion) -> str:
    """'Amended, version 2: It was an hour later.'; '' for an entry as it was first made."""
    if row.version == 1:
        return ""
    correction = json.loads(row.content).get("correction") or {}
    reason = correction.get("reason", "")
    word = "Withdrawn" if row.withdrawn else "Amended"
    return f"{word}, version {row.version}: {reason}" if reason else f"{word}, version {row.version}"


def _when(row: Insertion) -> str:
    day = in_words(row.performed_on)
    if not row.time_known:
        return f"{day}, time not known"
    return f"{day}, {row.performed_at.astimezone(ZoneInfo(row.zone)):%H:%M}"


def _stated(row: Insertion) -> str:
    """What was signed, and whatever else stands about the entry beside it."""
    standing: Sequence[Statement] = row.standing  # type: ignore[attr-defined]
    signed = "; ".join(statement_words(each, row.zone) for each in standing)
    state = state_of(row)
    if not signed or state.code in ("withdrawn", "disputed", "change"):
        return f"{state.words}. {signed}".strip() if signed else state.words
    return signed
