"""What must hold after every step and at the end of a walk, whatever was done in it."""

import json
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import connection

from audits import outcomes
from audits.integrity import altered
from audits.models import Outcome
from audits.rows import Row
from credentials import past, standings
from credentials.models import Standing
from credentials.rules.body import to_body
from ledger import acts, clock
from ledger.canonical import canonical
from ledger.models import Act
from ledger.verify import verify
from people import stale
from people.models import Place
from tests.whole.world import Walk

WALKED_DAYS = 120


@dataclass
class Answers:
    """Each answer given along the way, by its number and day, to be asked for again."""

    given: dict[tuple[int, date], dict[tuple[int, int], str]] = field(default_factory=dict)
    told: dict[tuple[int, date], tuple[str, ...]] = field(default_factory=dict)

    def ask(self, walk: Walk) -> None:
        with clock.at(walk.now):
            known = acts.head()
            for pair, judged in standings.judge_many(walk.pairs()).items():
                self.given.setdefault((known, judged.on), {})[pair] = judged.body
            self.told[known, walk.today] = _told(walk, walk.today, known)

    def asked_again(self, walk: Walk) -> None:
        with clock.at(walk.now):
            for (known, on), bodies in self.given.items():
                again = standings.judge_many(list(bodies), on=on, known=known)
                for pair, body in bodies.items():
                    assert again[pair].body == body, (
                        f"{pair} on {on} as known at {known}: {_first(body, again[pair].body)}"
                    )
            for (known, on), told in self.told.items():
                assert _told(walk, on, known) == told, f"the review of {on} as known at {known} reads otherwise now"


def _told(walk: Walk, on: date, known: int) -> tuple[str, ...]:
    """What the review of a day says of the owner as known then: the versions in force and each fact in words."""
    side = past.side(walk.world.cast.owner, walk.world.procedures[0], unit=None, on=on, known=known)
    facts = [f"{each.heading}: {each.words} {each.holds} {each.act.seq}" for each in side.facts]
    return (*(each.words for each in side.versions), *facts, side.answered.path)


def a_read_trusts_no_stale_row(walk: Walk) -> None:
    with clock.at(walk.now):
        pairs = walk.pairs()
        judged = standings.judge_many(pairs)
        for pair, read in standings.read_many(pairs).items():
            body = canonical(to_body(read.standing, on=read.on))
            assert body == judged[pair].body, f"{pair}: {_first(judged[pair].body, body)}"


def the_narrow_table_is_what_the_evidence_gives(walk: Walk) -> None:
    with clock.at(walk.now):
        assert outcomes.wrong() == []


def the_narrow_table_is_made_again_from_nothing(walk: Walk) -> None:
    with clock.at(walk.now):
        before = set(Outcome.objects.values_list(*Row._fields))
        Outcome.objects.all().delete()
        outcomes.rebuild()
        assert set(Outcome.objects.values_list(*Row._fields)) == before


def standings_are_what_the_evidence_gives(walk: Walk) -> None:
    """Once refreshed, without a rebuild; then made again from nothing."""
    with clock.at(walk.now):
        standings.refresh()
        assert stale.waiting() == []
        stored = _stored()
        judged = standings.judge_many(standings.pairs_of())
        assert stored.keys() == judged.keys()
        for pair, each in judged.items():
            assert stored[pair][0] == each.body, f"{pair}: {_first(each.body, stored[pair][0])}"
            assert stored[pair][1] == each.next_change_on, f"{pair}: {stored[pair][1]} is not {each.next_change_on}"
        assert standings.differences() == []
        Standing.objects.all().delete()
        standings.rebuild()
        assert _stored() == stored


def nothing_changes_before_its_day(walk: Walk) -> None:
    """Every day until the announced one, by its own clock, each standing stays what it is. Some days are left out."""
    with clock.at(walk.now):
        zones = set(Place.objects.known().values_list("zone", flat=True))
        judged = standings.judge_many(walk.pairs())
    days = sorted({each.next_change_on for each in judged.values() if each.next_change_on is not None})
    first = min(each.on for each in judged.values())
    wanted = {*range(1, 9), *range(9, WALKED_DAYS, 11), *((day - first).days - 1 for day in days)}
    assert zones
    for ahead in sorted(each for each in wanted if 0 < each <= WALKED_DAYS):
        day = first + timedelta(days=ahead)
        pairs = [
            pair
            for pair, each in judged.items()
            if each.on < day and (each.next_change_on is None or day < each.next_change_on)
        ]
        if not pairs:
            break
        with clock.at(datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo("Australia/Adelaide"))):
            for pair, then in standings.judge_many(pairs, on=day).items():
                was = canonical(to_body(judged[pair].standing, on=day))
                assert then.body == was, (
                    f"{pair} on {day}, before {judged[pair].next_change_on}: {_first(was, then.body)}"
                )


def the_ledger_holds(walk: Walk) -> None:
    connection.check_constraints()  # deferred ones, which this transaction would never come to
    assert verify().problems == ()
    assert list(altered()) == []
    for act in Act.objects.order_by("seq"):
        assert act.kind == "test.staged" or act.kind in stale.registered(), act.kind
        signature = act.facts.get("signature")
        if signature is not None:
            assert all(signature[name] for name in ("printed_name", "role", "meaning")), act


def _stored() -> dict[tuple[int, int], tuple[object, ...]]:
    columns = ("clinician", "procedure", "body", "next_change_on", "status", "may_insert", "expires_on")
    return {(row[0], row[1]): row[2:] for row in Standing.objects.values_list(*columns)}


def _first(one: str, other: str) -> str:
    """Where two bodies part, for whoever reads the failure."""
    return " / ".join(_parts(json.loads(one), json.loads(other), "$")) or "equal"


def _parts(one: object, other: object, at: str) -> list[str]:
    if isinstance(one, dict) and isinstance(other, dict):
        return [part for key in sorted({*one, *other}) for part in _parts(one.get(key), other.get(key), f"{at}.{key}")]
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        return [
            part for place, pair in enumerate(zip(one, other, strict=True)) for part in _parts(*pair, f"{at}[{place}]")
        ]
    return [] if one == other else [f"{at}: {one!r} is not {other!r}"]
