# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""In which order entries and their signatures arrive changes no figure, no standing and no flag."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from uuid import UUID

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audits import countersigning, logbook
from audits.entry import AttemptMade
from audits.models import Insertion, Outcome
from audits.rows import Row
from credentials import review, standings
from credentials.models import Flag
from ledger import clock
from tests.audits.conftest import FAILED, WORKED, entry_of
from tests.whole.world import BEGUN, World, make_world, rolled_back, sign

pytestmark = pytest.mark.django_db

DYNAMIC = AttemptMade(site="forearm", gauge=20, result="working", side="left", technique="ultrasound")
# (who, day in February, minute, attempts, events, what the supervisor says); two at the same minute of one person.
ENTRIES = (
    ("owner", 10, 0, (WORKED,), (), "in_room"),
    ("owner", 10, 0, (FAILED,), (), "nearby"),
    ("owner", 14, 30, (FAILED, WORKED), ("needlestick",), "sent_back"),
    ("owner", 20, 15, (WORKED,), (), None),
    ("colleague", 21, 5, (FAILED,), (), "in_room"),
    ("colleague", 21, 5, (FAILED,) * 3, (), None),
    ("colleague", 23, 40, (FAILED,), ("arterial_puncture",), "not_me"),
    ("colleague", 25, 40, (DYNAMIC,), (), "in_room"),
)
LATER = BEGUN + timedelta(hours=1)


def log(world: World, number: int) -> None:
    who, day, minute, attempts, events, _ = ENTRIES[number]
    clinician = getattr(world.cast, who)
    entry = entry_of(
        clinician,
        world.cast.wards.ward,
        world.supervisors[number % 2],
        uuid=UUID(int=(number * 0x9E3779B97F4A7C15) % 2**128, version=4),
        performed=datetime(2026, 2, day, 9, minute),
        attempts=attempts,
        technique=attempts[0].technique,
        events=events,
    )
    logbook.record_insertion(actor=clinician.user, entry=entry)


def answer(world: World, number: int) -> None:
    kind = ENTRIES[number][-1]
    if kind is not None:
        row = Insertion.objects.known().get(uuid=UUID(int=(number * 0x9E3779B97F4A7C15) % 2**128, version=4))
        said = countersigning.Answer(row.pk, kind, "Mend it." if kind == "sent_back" else "")
        countersigning.answer_many(signer=sign(row.supervisor, row.digest), answers=[said])


def told(world: World, order: Sequence[tuple[int, int]], *, refreshed: bool) -> tuple[object, ...]:
    """What the register says once everything has arrived: `order` holds (place in it, entry) of entries and answers."""
    with rolled_back(), clock.at(LATER):
        arrived = [log, answer]
        steps = sorted(
            (when, number, what) for number, both in enumerate(order) for what, when in enumerate(sorted(both))
        )
        for _, number, what in steps:
            arrived[what](world, number)
            if refreshed:
                standings.refresh()
        review.review_today()
        pairs = [(who.pk, each.pk) for who in (world.cast.owner, world.cast.colleague) for each in world.procedures]
        bodies = {pair: judged.body for pair, judged in standings.judge_many(pairs).items()}
        columns = [name for name in Row._fields if name != "insertion"]
        rows = sorted(Outcome.objects.values_list(*columns))
        flags = sorted(Flag.objects.values_list("clinician", "procedure", "rule", "evidence"))
        return bodies, rows, flags


def test_what_the_register_says_does_not_depend_on_the_order_of_arrival(db):
    with clock.at(BEGUN):
        world = make_world()
    size = len(ENTRIES)
    expected = told(world, [(number, size + number) for number in range(size)], refreshed=False)
    assert len(expected[2]) >= 4, "hardly a flag: the entries are about too little"

    @settings(max_examples=10, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))
    @given(order=st.permutations(range(2 * size)), refreshed=st.booleans())
    def whatever_the_order(order: list[int], refreshed: bool) -> None:
        order = [(order[number], order[size + number]) for number in range(size)]
        assert told(world, order, refreshed=refreshed) == expected

    whatever_the_order()
