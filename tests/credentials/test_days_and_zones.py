"""The civil day of the home unit decides: across daylight saving, midnight, and a move to a hospital in another zone.

Offsets are those of the IANA time zone database (package tzdata): Australia/Adelaide goes from +09:30 to +10:30 on
4 October 2026 at 02:00 and back on 5 April 2026 at 03:00; Australia/Perth stays at +08:00.
"""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from credentials.standings import read
from ledger import clock
from people import staffing
from people.tree import tree
from tests.audits.conftest import give_award
from tests.factories import ZONE, ProcedureFactory, make_cast, make_clinician, make_unit

pytestmark = pytest.mark.django_db
PERTH = "Australia/Perth"


@pytest.fixture
def cast():
    return make_cast()


@pytest.fixture
def procedure():
    return ProcedureFactory()


def now(who, procedure) -> tuple[str, date]:
    found = read(who.pk, procedure.pk)
    return found.home.status.value, found.on


def expiring(cast, procedure, day: date, unit=None):
    who = make_clinician(unit or cast.wards.ward, "Hol Der")
    begun = day.replace(year=day.year - 2)
    give_award(who, procedure, cast.wards.group, from_day=begun, anchor=begun, expires_on=day)
    return who


@pytest.mark.parametrize(
    ("expires_on", "midnight"),
    [
        (date(2026, 10, 4), datetime(2026, 10, 3, 14, 30, tzinfo=UTC)),  # the day itself has 23 hours
        (date(2026, 10, 5), datetime(2026, 10, 4, 13, 30, tzinfo=UTC)),  # the day before had 23
        (date(2026, 4, 5), datetime(2026, 4, 4, 13, 30, tzinfo=UTC)),  # the day itself has 25
        (date(2026, 4, 6), datetime(2026, 4, 5, 14, 30, tzinfo=UTC)),  # the day before had 25
    ],
)
def test_an_award_expires_at_local_midnight_whatever_the_clocks_did(cast, procedure, expires_on, midnight):
    there = ZoneInfo(ZONE)
    assert datetime.combine(expires_on, datetime.min.time(), there).astimezone(UTC) == midnight
    who = expiring(cast, procedure, expires_on)
    for moment, status in ((midnight - timedelta(minutes=1), "due"), (midnight, "in_grace")):
        with clock.at(moment):
            assert now(who, procedure)[0] == status


def test_on_one_evening_the_answer_is_that_of_the_home_units_own_day(cast, procedure):
    west = make_unit("hospital", "Western Reach Hospital", cast.wards.group, zone=PERTH)
    ward = make_unit("ward", "Ward 1", west, zone=PERTH)
    here, there = expiring(cast, procedure, date(2027, 1, 1)), expiring(cast, procedure, date(2027, 1, 1), ward)
    with clock.at(datetime(2026, 12, 31, 14, 0, tzinfo=UTC)):  # 00:30 in Adelaide, 22:00 in Perth
        assert now(here, procedure) == ("in_grace", date(2027, 1, 1))
        assert now(there, procedure) == ("due", date(2026, 12, 31))
    with clock.at(datetime(2026, 12, 31, 16, 0, tzinfo=UTC)):  # midnight in Perth
        assert now(there, procedure) == ("in_grace", date(2027, 1, 1))


def test_whoever_moves_to_another_zone_is_judged_by_its_day_from_then_on(cast, procedure):
    west = make_unit("hospital", "Western Reach Hospital", cast.wards.group, zone=PERTH)
    ward = make_unit("ward", "Ward 1", west, zone=PERTH)
    who = expiring(cast, procedure, date(2027, 1, 1))
    evening = datetime(2026, 12, 31, 14, 0, tzinfo=UTC)
    with clock.at(evening - timedelta(days=20)):
        staffing.move(actor=cast.administrator, clinician=who, unit=ward, kind="employed", from_day=date(2026, 12, 15))
    with clock.at(evening):
        assert now(who, procedure) == ("due", date(2026, 12, 31))
        assert tree().zone(ward.pk) == PERTH
    # The day in between is that of the old home.
    with clock.at(datetime(2026, 12, 14, 14, 0, tzinfo=UTC)):
        assert now(who, procedure)[1] == date(2026, 12, 15)
