"""Any past day: what the register said then, what it says now of the same day, and which acts came in between.

Known then is the number of the last act that had been recorded: at the end of the day where the unit is, at a moment
of that day, or any number. What was known then never changes; what is known now may.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q

from audits.holding import Holdings, holdings
from audits.models import Insertion, Procedure
from credentials.answering import Answered, answer
from credentials.past_facts import Change, Fact, Version, differences, facts_of, versions_on
from credentials.rules.standing import AnswerAt
from credentials.seeing import Seen, seen_by
from ledger import acts
from ledger.models import Act
from people.access import Access
from people.clock import in_words
from people.models import Clinician, User
from people.tree import tree

YEAR = timedelta(days=366)
MOST_ENTRIES = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """The answer of the day as known at one number, with the versions in force and the facts that it rested on."""

    answered: Answered
    recorded_at: datetime
    versions: Sequence[Version]
    facts: Sequence[Fact]

    @property
    def at(self) -> AnswerAt:
        return self.answered.at

    @property
    def known(self) -> int:
        return self.answered.read.known

    @property
    def held(self) -> list[Fact]:
        """The facts that held on the day."""
        return [each for each in self.facts if each.holds]


@dataclass(frozen=True, slots=True)
class Supervising:
    """Whether somebody could supervise there that day, as known then and now; '' for could."""

    name: str
    then: str
    now: str
    is_named: bool  # on an entry of that day


@dataclass(frozen=True, slots=True)
class Logged:
    """An entry of that day: no results, which stand on its own page for who may see them."""

    entry: Insertion
    first_known: int
    was_known: bool

    @property
    def supervisor(self) -> str:
        return self.entry.supervisor.name if self.entry.supervisor else "nobody named"


@dataclass(frozen=True, kw_only=True)
class Incident:
    """One person, procedure and day, looked at twice. `seen` says whether figures may be shown."""

    clinician: Clinician
    procedure: Procedure
    path: str
    zone: str
    on: date
    then: Side
    now: Side
    changes: Sequence[Change]
    supervising: Sequence[Supervising]
    logged: Sequence[Logged]
    seen: Seen


def number_at_end_of(day: date, zone: str) -> int:
    """The number of the last act of a day on the clocks of a zone; 0 where nothing was known yet."""
    midnight = datetime.combine(day + timedelta(days=1), time.min, ZoneInfo(zone))
    return acts.number_at(midnight - timedelta(microseconds=1))


def number_at_time(day: date, at: time, zone: str) -> int:
    """The number of the last act at or before a moment of that day."""
    return acts.number_at(datetime.combine(day, at, ZoneInfo(zone)))


def side(clinician: Clinician, procedure: Procedure, *, unit: int | None, on: date, known: int | None = None) -> Side:
    """The answer of that day as known now or at that number, at a unit (None, or not known then: at home)."""
    places = tree(known)
    answered = answer(clinician, procedure, unit=unit if unit in places else None, on=on, known=known)
    above = places.above(answered.unit) if answered.unit is not None and answered.unit in places else ()
    return Side(
        answered=answered,
        recorded_at=Act.objects.values_list("recorded_at", flat=True).get(seq=answered.read.known),
        versions=versions_on(procedure, above, on=on, known=known),
        facts=facts_of(clinician, procedure, above=above, on=on, known=known),
    )


def changes(then: Side, now: Side, *, figures: bool) -> list[Change]:
    """What is different now, in words: the answer first, then the versions, then each fact with its act."""
    found = [Change(words) for words in _answers_differ(then.at, now.at)]
    found += [
        Change(f"{was.heading}: {was.words} then, {is_.words} now.")
        for was, is_ in zip(then.versions, now.versions, strict=True)
        if was.words != is_.words
    ]
    if then.answered.path != now.answered.path:
        found.append(Change(f"Unit: {then.answered.path or 'none'} then, {now.answered.path or 'none'} now."))
    if figures:
        found += [Change(words) for words in _figures_differ(then.answered, now.answered)]
    return found + differences(then.facts, now.facts)


def compared(
    clinician: Clinician, procedure: Procedure, *, unit: int | None, on: date, known: int, figures: bool
) -> tuple[Side, Side, list[Change]]:
    """As known then, as known now, and what is different."""
    then = side(clinician, procedure, unit=unit, on=on, known=known)
    now = side(clinician, procedure, unit=unit, on=on)
    found = changes(then, now, figures=figures)
    return then, now, found + (_entries_since(clinician, procedure, on, known) if figures else [])


def incident(
    access: Access,
    clinician: Clinician,
    procedure: Procedure,
    *,
    unit: int | None,
    on: date,
    known: int,
    supervisor: User | None = None,
) -> Incident:
    """The page of one person and day. The caller has asked whether this user may follow this person.

    The number of queries does not grow with what is shown.
    """
    seen = seen_by(access, clinician)
    then, now, found = compared(clinician, procedure, unit=unit, on=on, known=known, figures=seen.figures)
    at = now.answered.unit if now.answered.unit is not None else then.answered.unit
    logged = _logged(clinician, procedure, on, known)
    return Incident(
        clinician=clinician,
        procedure=procedure,
        path=now.answered.path or then.answered.path,
        zone=access.tree.zone(at) if at is not None and at in access.tree else "UTC",
        on=on,
        then=then,
        now=now,
        changes=found,
        supervising=_supervising(logged, supervisor, at, procedure, on, known),
        logged=logged,
        seen=seen,
    )


def _answers_differ(then: AnswerAt, now: AnswerAt) -> Iterable[str]:
    if then.answer is not now.answer:
        yield f"May insert: {then.answer.words} then, {now.answer.words} now."
    if then.status is not now.status:
        yield f"Status: {then.status.words} then, {now.status.words} now."
    if then.expires_on and now.expires_on and then.expires_on != now.expires_on:
        was, is_ = (in_words(each - timedelta(days=1)) for each in (then.expires_on, now.expires_on))
        yield f"Last day of the award: {was} then, {is_} now."


def _figures_differ(then: Answered, now: Answered) -> Iterable[str]:
    was, is_ = then.read.standing.recent, now.read.standing.recent
    if (was.successes, was.insertions) != (is_.successes, is_.insertions):
        yield (
            f"Insertions in the rate, of the last {is_.months} months: {was.successes} of {was.insertions} working "
            f"first time then, {is_.successes} of {is_.insertions} now."
        )
    of = ({(each.rule, each.key): each for each in read.standing.findings} for read in (then.read, now.read))
    before, after = of
    for key in sorted(before.keys() | after.keys()):
        if key not in before:
            yield f"A rule that fires now and did not then: {after[key].text}"
        elif key not in after:
            yield f"A rule that fired then and does not now: {before[key].text}"


def _entries_since(clinician: Clinician, procedure: Procedure, on: date, known: int) -> list[Change]:
    """The entries of the year up to the day that came in, or were changed, after that number; the first of many."""
    rows = Insertion.objects.filter(
        clinician=clinician, procedure=procedure, performed_on__gt=on - YEAR, performed_on__lte=on
    )
    before = set(rows.filter(known_from__lte=known).values_list("uuid", flat=True))
    found = []
    for row in rows.filter(known_from__gt=known).select_related("known_from__actor").order_by("known_from_id", "pk"):
        how = "withdrawn" if row.withdrawn else "changed" if row.uuid in before else "logged"
        found.append(Change(f"Entry of {in_words(row.performed_on)} {how} later.", row.known_from))
        before.add(row.uuid)
    left = len(found) - MOST_ENTRIES
    return found[:MOST_ENTRIES] + ([Change(f"And {left} more entries.")] if left > 0 else [])


def _logged(clinician: Clinician, procedure: Procedure, on: date, known: int) -> list[Logged]:
    """The entries of the day that stand now, and those that stood then, by time; of each the latest version."""
    rows = Insertion.objects.filter(clinician=clinician, procedure=procedure, performed_on=on)
    stands = Q(known_until=None) | (Q(known_from__lte=known) & (Q(known_until=None) | Q(known_until__gt=known)))
    first: dict[Any, int] = {}
    for uuid, seq in rows.order_by("-known_from_id").values_list("uuid", "known_from_id"):
        first[uuid] = seq
    latest = {
        row.uuid: row for row in rows.filter(stands).select_related("supervisor", "unit").order_by("known_from_id")
    }
    found = sorted(latest.values(), key=lambda row: (row.performed_at, row.pk))
    return [Logged(row, first[row.uuid], first[row.uuid] <= known) for row in found]


def _supervising(
    logged: Sequence[Logged], asked: User | None, unit: int | None, procedure: Procedure, on: date, known: int
) -> list[Supervising]:
    """Whoever the entries of that day name, and whoever was asked about, at the unit of the entry or of the page."""
    wanted: dict[tuple[int, int], tuple[str, bool]] = {}
    for each in logged:
        if each.entry.supervisor is not None:
            wanted[each.entry.supervisor.pk, each.entry.unit_id] = (each.entry.supervisor.name, True)
    if asked is not None and unit is not None:
        wanted.setdefault((asked.pk, unit), (asked.name, False))
    if not wanted:
        return []
    then, now = (holdings([user for user, _ in wanted], known=at) for at in (known, None))

    def why_not(of: Holdings, user: int, at: int) -> str:
        return getattr(of.may_supervise(user, unit=at, procedure=procedure.pk, on=on), "text", "")

    return [
        Supervising(name, why_not(then, user, at), why_not(now, user, at), is_named)
        for (user, at), (name, is_named) in wanted.items()
    ]
