"""Exposure: insertions made while the answer of their day allowed less than was done. Shown, never erased.

What was done: alone, with a supervisor nearby, or in the room, as countersigned or else as the clinician said. What
the answer was: that of the day at that unit, from the facts known now. An emergency is marked as one.
"""

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from django.db.models import Exists, OuterRef, Prefetch, QuerySet
from django.urls import reverse

from audits.figures import fold
from audits.measures import named, rows_of
from audits.models import Award, Dispute, Insertion, Nearness, Restriction, Statement
from audits.rows import Row
from credentials.gathering import Pair, facts_of, ground, people
from credentials.rules.answers import Answer, Status
from credentials.rules.asking import ask_for
from credentials.rules.standing import Standing, answer_at, judge
from people.access import Access, Right
from people.clock import in_words
from people.models import Absence, Placement, Setting
from people.tree import tree
from sheets.listing import Column, Listing

WATCHED = {
    Statement.Kind.IN_ROOM: Answer.IN_ROOM,
    Statement.Kind.NEARBY: Answer.NEARBY,
    Statement.Kind.NOT_ME: Answer.ALONE,
}
SAID = {Nearness.IN_ROOM: Answer.IN_ROOM, Nearness.NEARBY: Answer.NEARBY, "": Answer.ALONE}
DONE = {
    Answer.IN_ROOM: "with a supervisor in the room",
    Answer.NEARBY: "with a supervisor nearby",
    Answer.ALONE: "without a supervisor",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Exposed:
    """One insertion that went beyond the answer of its day: what was allowed there, and how it was done."""

    insertion: Insertion
    status: Status
    allowed: Answer
    done: Answer
    remarks: str  # that it was an emergency, that it is disputed who inserted

    @property
    def words(self) -> str:
        """In a line: 'lapsed, allowed with a supervisor in the room; done without a supervisor'."""
        return f"{self.status.words}: {self.allowed.words}; done {DONE[self.done]}"


def exposures(rows: QuerySet[Insertion]) -> list[Exposed]:
    """Those of these entries that went beyond the answer of their day, oldest first.

    Withdrawn ones, simulation, those without an attempt, and paper from before the start day, of which nobody knows who
    was allowed what, are no exposure. Only days on which somebody's award, as a
    plain look at the facts shows, did not simply allow it are judged. The number of queries does not grow with them.
    """
    who_asked = Dispute.objects.known().filter(insertion=OuterRef("pk"), about=Dispute.About.WHO, decided=None)
    found = list(
        rows.filter(withdrawn=False, setting=Insertion.Setting.PATIENT, punctures__gt=0)
        .exclude(source=Insertion.Source.PAPER)
        .select_related("clinician", "procedure", "unit")
        .annotate(asks_who=Exists(who_asked))
        .prefetch_related(Prefetch("statements", Statement.objects.known(), to_attr="standing"))
        .order_by("performed_at", "pk")
    )
    doubtful = _doubtful(found)
    standings = _standings(doubtful)
    places = tree()
    exposed = []
    for row in doubtful:
        if row.unit_id not in places:
            continue  # closed since: where it lay is no longer said
        standing = standings[row.performed_on, (row.clinician_id, row.procedure_id)]
        at = answer_at(standing, places.above(row.unit_id), on=row.performed_on)
        done = done_as(row)
        if at.answer < done:
            remarks = _remarks(row)
            exposed.append(Exposed(insertion=row, status=at.status, allowed=at.answer, done=done, remarks=remarks))
    return exposed


def _remarks(row: Insertion) -> str:
    found = ["emergency, nobody to supervise"] if row.emergency else []
    if row.asks_who:  # type: ignore[attr-defined]
        found.append("who inserted is disputed")
    return "; ".join(found)


def done_as(row: Insertion) -> Answer:
    """How it was done; read with the statement that stands, as `standing`."""
    statement = next(iter(row.standing), None)  # type: ignore[attr-defined]
    if statement is not None and statement.kind in WATCHED:
        return WATCHED[statement.kind]
    return SAID[row.nearness] if row.supervisor_id is not None else Answer.ALONE


def _standings(rows: Collection[Insertion]) -> dict[tuple[date, Pair], Standing]:
    """The standing of each day and pair, from facts and rows that are read once."""
    whom = {row.clinician_id for row in rows}
    if not whom:
        return {}
    base = ground()
    persons = people(whom, base)
    last = max(row.performed_on for row in rows)
    counted: dict[Pair, list[Row]] = defaultdict(list)
    for row in rows_of(whom, on=last):
        counted[row.clinician, row.procedure].append(row)
    facts = {
        (day, pair): facts_of(persons[pair[0]], pair[1], base, day)
        for day, pair in {(row.performed_on, (row.clinician_id, row.procedure_id)) for row in rows}
    }
    figures = named({key: fold(*key[1], counted[key[1]], ask_for(of, key[0])) for key, of in facts.items()})
    return {key: judge(of, figures[key], key[0]) for key, of in facts.items()}


def _doubtful(rows: Collection[Insertion]) -> list[Insertion]:
    """Those that a plain look does not clear: an award in force there and then, and nothing that could limit it."""
    whom = {row.clinician_id for row in rows}
    awards = _by(Award.objects.known().filter(clinician__in=whom))
    limits = _by(Restriction.objects.known().filter(clinician__in=whom))
    absent = _by(Absence.objects.known().filter(clinician__in=whom))
    placed = _by(Placement.objects.known().filter(clinician__in=whom))
    # Whoever is employed is capped only where a setting says so, which is rare: then nobody is cleared at a glance.
    free = set() if _caps_the_employed() else {Placement.Kind.EMPLOYED}
    capped = {who for who, found in placed.items() if any(each.kind not in free for each in found)}
    places = tree()

    def is_clear(row: Insertion) -> bool:
        who, day = row.clinician_id, row.performed_on
        if who in capped or who in absent or any(_covers(each, day) for each in limits.get(who, ())):
            return False
        if not any(_covers(each, day) for each in placed.get(who, ())) or row.unit_id not in places:
            return False
        above = places.above(row.unit_id)
        return any(
            each.procedure_id == row.procedure_id
            and each.scope_unit_id in above
            and _covers(each, day)
            and day < each.expires_on
            and (each.provisional_until is None or day >= each.provisional_until)
            for each in awards.get(who, ())
        )

    return [row for row in rows if not is_clear(row)]


def _caps_the_employed() -> bool:
    return Setting.objects.known().filter(name="ceiling_employed").exclude(value="null").exists()


def _covers(row: Award | Restriction | Placement, day: date) -> bool:
    return row.holds_on(day)


def _by(rows: QuerySet) -> Mapping[int, list]:
    found: dict[int, list] = defaultdict(list)
    for row in rows:
        found[row.clinician_id].append(row)
    return found


def listing(access: Access, *, first: date, last: date) -> Listing:
    """Exposures on the units of who may follow them, of a period; without results."""
    rows = on_units(access.units_for(Right.UNIT_FIGURES), first=first, last=last)
    return Listing(
        name="exposure",
        title=f"Inserted while not allowed, {in_words(first)} through {in_words(last)}",
        rows=rows,
        columns=(
            Column("day", "Day", "day", value="insertion.performed_on", sort="insertion.performed_at"),
            Column(
                "clinician",
                "Clinician",
                value="insertion.clinician.name",
                sort=("insertion.clinician.name", "insertion.performed_at"),
                link=lambda row: reverse("person", args=[row.insertion.clinician.uuid]),
            ),
            Column("unit", "Unit", value=lambda row: access.tree.path(row.insertion.unit_id)),
            Column("procedure", "Procedure", value="insertion.procedure.name"),
            Column("status", "Status that day", value=lambda row: row.status.words),
            Column("allowed", "Might insert", "answer", value="allowed"),
            Column(
                "done",
                "Was done",
                value=lambda row: DONE[row.done],
                note="remarks",
                note_label="Remark",
            ),
        ),
        order="-day",
        empty="None: every insertion logged on your units in this time was within the answer of its day.",
        notes=("From the facts as they are known now. An exposure is looked into; by itself it changes nothing.",),
    )


def of_person(clinician: int, procedure: int, *, on: date, days: int = 366) -> list[Exposed]:
    """One person's, of the last year up to a day."""
    rows = Insertion.objects.known().filter(clinician=clinician, procedure=procedure)
    return exposures(rows.filter(performed_on__gt=on - timedelta(days=days), performed_on__lte=on))


def on_units(units: Collection[int], *, first: date, last: date) -> list[Exposed]:
    """Those on some units, of a period with both its days."""
    return exposures(Insertion.objects.known().filter(unit__in=units, performed_on__range=(first, last)))
