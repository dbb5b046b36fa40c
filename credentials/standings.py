"""Standings: judged from the evidence, stored, read only where nothing can have changed, and rebuilt to the same text.

`known` None everywhere is what is known now. An answer carries the number of the last act that it was judged from.
"""

import json
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.db import transaction
from django.db.models import F, Q

from audits.figures import Figures
from audits.measures import measures
from audits.models import Award, Observation, Outcome, Procedure, Restriction, ScopeByRole
from credentials.gathering import Ground, Pair, Person, facts_of, ground, people
from credentials.lending import with_borrowers
from credentials.models import Enrolment, Standing
from credentials.rules import standing as pure
from credentials.rules.asking import ask_for
from credentials.rules.body import from_body, to_body
from credentials.rules.facts import Facts
from credentials.rules.next_change import next_change_on
from credentials.rules.standing import AnswerAt, answer_at, judge
from ledger import acts
from ledger.canonical import canonical
from people import clock, stale
from people.models import Appointment, Clinician, Placement
from people.tree import tree

CHUNK = 500


@dataclass(frozen=True, eq=False)
class Judged:
    """One standing freshly judged, with what it was judged from."""

    clinician: int
    procedure: int
    on: date
    known: int
    facts: Facts
    figures: Figures
    standing: pure.Standing
    next_change_on: date | None

    @property
    def body(self) -> str:
        """The canonical text that is stored and compared."""
        return canonical(to_body(self.standing, on=self.on))


@dataclass(frozen=True, eq=False)
class Read:
    """A standing as it is read: stored or judged on the spot, which makes no difference to what it says."""

    clinician: int
    procedure: int
    on: date
    known: int
    standing: pure.Standing
    next_change_on: date | None

    def at(self, above: Sequence[int]) -> AnswerAt:
        """The answer at a unit, given as itself and the units above it, nearest first."""
        return answer_at(self.standing, above, on=self.on)

    @property
    def home(self) -> AnswerAt:
        """The answer at the home unit."""
        return answer_at(self.standing, self.standing.home, on=self.on)


def judge_many(
    pairs: Collection[Pair],
    *,
    on: date | None = None,
    known: int | None = None,
    at: Ground | None = None,
) -> dict[Pair, Judged]:
    """Judge these (clinician, procedure): on one day, or each on the present day of their home unit.

    The number of queries does not grow with the pairs. A clinician not in the register is left out.
    """
    number = acts.head() if known is None else known
    base = at or ground(known)
    persons = people({clinician for clinician, _ in pairs}, base)
    facts: dict[date, dict[Pair, Facts]] = defaultdict(dict)
    for clinician, procedure in sorted(set(pairs)):
        if person := persons.get(clinician):
            day = on or today(person, base)
            facts[day][clinician, procedure] = facts_of(person, procedure, base, day)
    found: dict[Pair, Judged] = {}
    for day, of_day in facts.items():
        asks = {pair: ask_for(each, day) for pair, each in of_day.items()}
        figures = measures({clinician for clinician, _ in of_day}, asks=asks, on=day, known=known)
        for pair, each in of_day.items():
            found[pair] = _judged(pair, each, figures[pair], day, number)
    return found


def today(person: Person, base: Ground) -> date:
    """The present civil date where this person's home is."""
    return clock.today(person.zone(base))


def read_many(
    pairs: Collection[Pair],
    *,
    on: date | None = None,
    known: int | None = None,
    at: Ground | None = None,
) -> dict[Pair, Read]:
    """The standings of these pairs: stored ones where nothing can have changed since, the rest judged on the spot.

    For another day than today, or as known then, all are judged. The number of queries does not grow with the pairs.
    """
    found: dict[Pair, Read] = {}
    if on is None and known is None:
        found = _stored(pairs)
    for pair, each in judge_many([pair for pair in pairs if pair not in found], on=on, known=known, at=at).items():
        found[pair] = Read(each.clinician, each.procedure, each.on, each.known, each.standing, each.next_change_on)
    return found


def read(clinician: int, procedure: int, *, on: date | None = None, known: int | None = None) -> Read:
    """One standing. Raises Clinician.DoesNotExist for somebody not in the register."""
    found = read_many([(clinician, procedure)], on=on, known=known)
    if not found:
        raise Clinician.DoesNotExist(f"no clinician {clinician}")
    return found[clinician, procedure]


def _stored(pairs: Collection[Pair]) -> dict[Pair, Read]:
    """Those stored that may be trusted: nothing waits in the outbox for them, and no day of change has come."""
    wanted = set(pairs)
    clinicians = {clinician for clinician, _ in wanted}
    # The rows first: what enters the outbox later than this read is then seen by the second query.
    rows = list(Standing.objects.filter(clinician__in=clinicians))
    waiting = with_borrowers(stale.pending(clinicians))
    homes = _home_days(clinicians) if rows else {}
    found: dict[Pair, Read] = {}
    for row in rows:
        pair = (row.clinician_id, row.procedure_id)
        if pair not in wanted or pair in waiting or (row.clinician_id, None) in waiting:
            continue
        day = homes.get(row.clinician_id)
        if day is None or day < row.judged_on or (row.next_change_on is not None and row.next_change_on <= day):
            continue
        found[pair] = Read(*pair, day, row.known, from_body(json.loads(row.body)), row.next_change_on)
    return found


def _home_days(clinicians: Collection[int]) -> dict[int, date]:
    """The present day at each clinician's home. Three queries at most."""
    now = tree()
    placed: dict[int, list[Placement]] = defaultdict(list)
    for row in Placement.objects.known().filter(clinician__in=clinicians, home=True).order_by("from_day"):
        placed[row.clinician_id].append(row)
    appointed: dict[int, list[Appointment]] = defaultdict(list)
    if never := set(clinicians) - placed.keys():
        rows = Appointment.objects.known().filter(user__clinician__in=never).annotate(whose=F("user__clinician"))
        for each in rows:
            appointed[each.whose].append(each)
    days: dict[str, date] = {}
    found: dict[int, date] = {}
    utc = clock.now().date()
    for one in clinicians:
        person = Person(one, "", placements=placed.get(one, ()), appointments=appointed.get(one, ()))
        home = person.home_on(utc)
        zone = now.zone(home if home is not None else now.root)
        found[one] = days.setdefault(zone, clock.today(zone))
    return found


def pairs_of(clinicians: Collection[int] | None = None) -> list[Pair]:
    """Every (clinician, procedure) with a standing: enrolled, awarded, restricted, in scope, logged or observed.

    Everybody else is not enrolled; asked about, they are judged on the spot.
    """
    pairs: set[Pair] = set()
    for model in (Enrolment, Award, Restriction):
        rows = model.objects.known().filter(procedure__isnull=False)
        pairs.update(_of(rows, clinicians).values_list("clinician", "procedure").distinct())
    pairs.update(_of(Outcome.objects.all(), clinicians).values_list("clinician", "procedure").distinct())
    # A critical step missed is a question to whoever was observed, enrolled or not.
    observed = Observation.objects.signed_by().filter(second_of=None)
    pairs.update(_of(observed, clinicians).values_list("clinician", "procedure").distinct())
    for scope in ScopeByRole.objects.known():
        whose = Clinician.objects.filter(
            Q(pk=scope.clinician_id) if scope.clinician_id else Q(profession=scope.profession)
        )
        if clinicians is not None:
            whose = whose.filter(pk__in=clinicians)
        pairs.update((each, scope.procedure_id) for each in whose.values_list("pk", flat=True))
    return sorted(pairs)


def _of(rows, clinicians):  # type: ignore[no-untyped-def]
    return rows if clinicians is None else rows.filter(clinician__in=clinicians)


@dataclass(frozen=True)
class Refreshed:
    """What a run did: how many standings it judged, how many texts changed, why it touched them."""

    judged: int
    changed: int
    causes: Mapping[str, int]


def refresh(clinicians: Iterable[int] | None = None) -> Refreshed:
    """Bring up to date whatever waits in the outbox (of these clinicians, or all) or is due by the calendar.

    Rows of the outbox are read before the evidence and only those are cleared after it.
    """
    chosen = None if clinicians is None else frozenset(clinicians)
    waiting = [row for row in stale.waiting() if chosen is None or row.clinician_id in chosen]
    causes = Counter(row.cause for row in waiting)
    touched = with_borrowers({(row.clinician_id, row.procedure) for row in waiting})
    due = _due(chosen)
    if due:
        causes["calendar"] = len(due)
    owners = {clinician for clinician, _ in touched} | {clinician for clinician, _ in due}
    have = set(pairs_of(owners)) if owners else set()
    pairs = {pair for pair in have if pair in touched or pair in due or (pair[0], None) in touched}
    changed = store(judge_many(pairs).values()) + _drop(owners, have)
    stale.clear([row.pk for row in waiting])
    return Refreshed(len(pairs), changed, dict(causes))


def _drop(clinicians: Collection[int] | None, have: Collection[Pair]) -> int:
    """Take away stored standings of those who no longer have one of their own."""
    rows = _of(Standing.objects.all(), clinicians).values_list("pk", "clinician", "procedure")
    gone = [key for key, clinician, procedure in rows if (clinician, procedure) not in have]
    return Standing.objects.filter(pk__in=gone).delete()[0] if gone else 0


def _due(clinicians: Collection[int] | None) -> set[Pair]:
    """Those whose day of change has come where the day is furthest on: a day too early costs a look, no more."""
    latest = clock.today("Pacific/Kiritimati")
    rows = Standing.objects.filter(next_change_on__lte=latest)
    return set(_of(rows, clinicians).values_list("clinician", "procedure"))


def rebuild(*, on: date | None = None) -> list[Judged]:
    """Judge every pair anew, in portions, and store all of them. Returns what was judged."""
    rows = stale.waiting()
    base = ground()
    judged: list[Judged] = []
    everyone = pairs_of()
    for start in range(0, len(everyone), CHUNK):
        part = judge_many(everyone[start : start + CHUNK], on=on, at=base)
        judged.extend(part.values())
    store(judged)
    _drop(None, set(everyone))
    stale.clear([row.pk for row in rows])
    return judged


def differences() -> list[Pair]:
    """The pairs whose stored standing is not what the evidence gives today: missing, stale or altered ones."""
    base = ground()
    wrong: list[Pair] = []
    stored = {(row.clinician_id, row.procedure_id): row for row in Standing.objects.all()}
    everyone = pairs_of()
    wrong.extend(sorted(stored.keys() - set(everyone)))
    for start in range(0, len(everyone), CHUNK):
        for pair, judged in judge_many(everyone[start : start + CHUNK], at=base).items():
            row = stored.get(pair)
            if row is None or row.body != judged.body or row.next_change_on != judged.next_change_on:
                wrong.append(pair)
    return wrong


def store(judged: Iterable[Judged]) -> int:
    """Store these, passing over any judged from older evidence than what is stored. Returns how many texts changed."""
    found = list(judged)
    changed = 0
    for start in range(0, len(found), CHUNK):
        part = found[start : start + CHUNK]
        with transaction.atomic():
            before = {
                (row.clinician_id, row.procedure_id): row
                for row in Standing.objects.select_for_update().filter(clinician__in={each.clinician for each in part})
            }
            fresh = []
            for each in part:
                row = before.get((each.clinician, each.procedure))
                if row is not None and row.known > each.known:
                    continue
                body = each.body
                changed += row is None or row.body != body
                fresh.append(_row(each, body))
            Standing.objects.bulk_create(
                fresh,
                update_conflicts=True,
                unique_fields=["clinician", "procedure"],
                update_fields=["known", "judged_on", "status", "may_insert", "expires_on", "next_change_on", "body"],
            )
    return changed


def _row(each: Judged, body: str) -> Standing:
    home = answer_at(each.standing, each.standing.home, on=each.on)
    return Standing(
        clinician_id=each.clinician,
        procedure_id=each.procedure,
        known=each.known,
        judged_on=each.on,
        status=home.status.value,
        may_insert=home.answer.value,
        expires_on=home.expires_on,
        next_change_on=each.next_change_on,
        body=body,
    )


def _judged(pair: Pair, facts: Facts, figures: Figures, on: date, known: int) -> Judged:
    return Judged(*pair, on, known, facts, figures, judge(facts, figures, on), next_change_on(facts, figures, on))


def procedures() -> list[Procedure]:
    """Every procedure, by name."""
    return list(Procedure.objects.all())
