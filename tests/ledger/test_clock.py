from datetime import UTC, datetime, timedelta

import pytest
from django.utils import timezone

from ledger import clock, register
from ledger.models import Register

MOMENT = datetime(2025, 7, 1, 3, 30, tzinfo=UTC)


@pytest.fixture
def running_clock(monkeypatch):
    monkeypatch.setattr(clock, "_offset", timedelta())


@pytest.mark.std("A-22")
def test_the_clock_is_the_servers_and_utc():
    before = timezone.now()
    assert before <= clock.now() <= timezone.now()
    assert clock.now().utcoffset() == timedelta()


@pytest.mark.real_clock
@pytest.mark.std("A-22")
def test_the_clock_of_a_real_register_is_not_to_be_moved(db):
    with pytest.raises(clock.ClockRefusedError), clock.at(MOMENT):
        pass
    with pytest.raises(clock.ClockRefusedError):
        clock.run_from(MOMENT)
    assert abs(clock.now() - timezone.now()) < timedelta(seconds=1)


@pytest.mark.real_clock
def test_the_clock_of_a_demo_stops_where_it_is_told_and_goes_on_afterwards(db):
    register.mark_demo()
    with clock.at(MOMENT):
        assert clock.now() == MOMENT
    assert abs(clock.now() - timezone.now()) < timedelta(seconds=1)


@pytest.mark.real_clock
def test_the_clock_of_a_demo_can_run_from_another_day(db, running_clock):
    register.mark_demo()
    clock.run_from(MOMENT)
    assert timedelta() <= clock.now() - MOMENT < timedelta(seconds=1)


def test_a_moment_without_a_zone_is_refused(db):
    with pytest.raises(ValueError, match="no time zone"), clock.at(datetime(2025, 7, 1)):  # noqa: DTZ001
        pass


def test_a_register_has_one_identity(db):
    assert register.this() == Register.objects.get()
    assert register.this().uuid.version == 4
    assert not register.is_demo()


def test_a_register_with_records_cannot_become_a_demo(append):
    append()
    with pytest.raises(ValueError, match="already holds records"):
        register.mark_demo()
    assert not register.is_demo()
    assert register.this().demo is False


def test_a_demo_stays_a_demo(append):
    register.mark_demo()
    append()
    register.mark_demo()
    assert register.is_demo()
