# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Logging one insertion: what is stored, what is refused, who may, and that nothing is stored twice."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.limits import limits
from audits.logbook import Conflict, Context, check, record_insertion
from audits.models import Attempt, Insertion, Outcome
from audits.resolving import Source
from ledger import acts, clock
from ledger.models import Act
from people.access import NotPermitted
from people.models import Placement, Stale
from people.problems import Problems
from tests.audits.conftest import FAILED, NOW, WORKED, entry_of
from tests.factories import PlacementFactory, SettingFactory, make_clinician


def refused(stage, **changes):
    with pytest.raises(Problems) as caught:
        record_insertion(actor=stage.owner.user, entry=stage.entry(**changes))
    return [item.field for item in caught.value.items]


def test_an_entry_is_stored_with_its_act_its_outcome_and_its_outbox_row(stage):
    before = acts.head()
    entry = stage.entry(attempts=(FAILED, WORKED), events=("needlestick",), others_before=1)
    stored = record_insertion(actor=stage.owner.user, entry=entry)

    assert (stored.uuid, stored.version, stored.known_until) == (entry.uuid, 1, None)
    assert (stored.result, stored.punctures, stored.events) == ("not_first", 2, "needlestick")
    assert (stored.procedure, stored.supervisor, stored.source) == (stage.procedure, stage.supervisor, "form")
    assert stored.performed_at == datetime(2026, 3, 2, 1, 30, tzinfo=UTC)
    assert (stored.zone, stored.performed_on) == ("Australia/Adelaide", date(2026, 3, 2))
    assert list(stored.attempts.values_list("ordinal", "site", "gauge", "result", "reason")) == [
        (1, "hand", 22, "failed", "through"),
        (2, "forearm", 20, "working", ""),
    ]
    act = Act.objects.get(seq=before + 1)
    assert (act.kind, act.subject, act.actor) == ("insertion.recorded", entry.uuid, stage.owner.user)
    assert act.facts["digest"] == stored.digest
    outcome = Outcome.objects.get(insertion=stored.pk)
    assert (outcome.in_rate, outcome.success, outcome.punctures, outcome.total, outcome.credit) == (1, 0, 2, 3, 0)
    assert list(Stale.objects.filter(act=act).values_list("clinician", "procedure")) == [
        (stage.owner.pk, stage.procedure.pk)
    ]


@pytest.mark.std("A-15")
def test_both_times_are_kept_and_an_entry_eight_days_late_is_marked(stage):
    on_time = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 2, 23, 12, 0)))
    late = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 2, 22, 12, 0)))
    assert late.entered_at == NOW
    assert late.performed_at == datetime(2026, 2, 22, 1, 30, tzinfo=UTC)
    assert (on_time.days_to_entry, late.days_to_entry) == (7, 8)
    assert not limits([stage.owner.pk]).is_late(on_time)
    assert limits([stage.owner.pk]).is_late(late)
    SettingFactory(unit=stage.cast.wards.department, name="late_after_days", plain=20)
    assert not limits([stage.owner.pk]).is_late(late)


@pytest.mark.std("A-15")
def test_the_future_is_refused_to_the_minute(stage):
    assert refused(stage, performed=datetime(2026, 3, 2, 13, 31)) == ["performed"]
    assert record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 3, 2, 13, 30)))


def test_a_time_that_never_was_is_refused_and_one_that_came_twice_asks_which(stage):
    # South Australia: forward at 02:00 on 5 October 2025, back at 03:00 on 6 April 2025.
    assert refused(stage, performed=datetime(2025, 10, 5, 2, 30)) == ["performed"]
    assert refused(stage, performed=datetime(2025, 4, 6, 2, 30)) == ["fold"]
    second = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2025, 4, 6, 2, 30), fold=1))
    assert second.performed_at == datetime(2025, 4, 5, 17, 0, tzinfo=UTC)


def test_the_same_entry_sent_again_is_stored_once(stage):
    entry = stage.entry()
    first = record_insertion(actor=stage.owner.user, entry=entry)
    before = acts.head()
    assert record_insertion(actor=stage.owner.user, entry=entry) == first
    assert Insertion.objects.filter(uuid=entry.uuid).count() == 1
    assert acts.head() == before


def test_another_entry_with_the_same_uuid_is_a_conflict(stage):
    entry = stage.entry()
    record_insertion(actor=stage.owner.user, entry=entry)
    with pytest.raises(Conflict, match=str(entry.uuid)):
        record_insertion(actor=stage.owner.user, entry=replace(entry, comment="Moved at the last moment."))


def test_a_mistake_stores_nothing(stage):
    before = acts.head()
    assert refused(stage, events=None, band="teenager") == ["band", "events"]
    assert refused(stage, supervisor=uuid4()) == ["supervisor"]
    assert refused(stage, unit=uuid4()) == ["unit"]
    assert refused(stage, band="neonate") == ["band"]
    assert refused(stage, supervisor=stage.owner.user.uuid) == ["supervisor"]
    assert (Insertion.objects.count(), Attempt.objects.count(), Outcome.objects.count()) == (0, 0, 0)
    assert acts.head() == before


def test_an_emergency_needs_no_supervisor(stage):
    stored = record_insertion(actor=stage.owner.user, entry=stage.entry(emergency=True, supervisor=None, nearness=""))
    assert stored.emergency
    assert Outcome.objects.get(insertion=stored.pk).volume == 1


def test_no_attempt_made_is_logged_and_is_outside_the_rate(stage):
    stored = record_insertion(
        actor=stage.owner.user, entry=stage.entry(attempts=(), not_attempted="no_vein", help_called="access_team")
    )
    row = Outcome.objects.get(insertion=stored.pk)
    assert (stored.result, row.in_rate, row.volume, row.punctures) == ("no_attempt", 0, 0, 0)


# --- who may log where ---


def test_an_educator_of_the_unit_logs_on_behalf_and_it_says_so(stage):
    stored = record_insertion(actor=stage.cast.educator, entry=stage.entry())
    assert stored.source == Source.ON_BEHALF
    assert stored.known_from.actor == stage.cast.educator
    assert stored.clinician == stage.owner


@pytest.mark.parametrize("who", ["supervisor", "manager", "auditor", "administrator", "colleague", "outsider"])
def test_nobody_else_logs_for_somebody(stage, who):
    with pytest.raises(NotPermitted):
        record_insertion(actor=stage.cast.users()[who], entry=stage.entry())
    assert not Insertion.objects.exists()


def test_help_next_door_is_logged_there(stage):
    for unit in (stage.cast.wards.next_ward, stage.cast.wards.day_ward):
        assert record_insertion(actor=stage.owner.user, entry=stage.entry(unit=unit.uuid)).unit == unit


def test_another_hospital_needs_a_placement_there_or_an_emergency(stage):
    other = stage.cast.wards.other_ward
    assert refused(stage, unit=other.uuid) == ["unit"]
    assert record_insertion(
        actor=stage.owner.user, entry=stage.entry(unit=other.uuid, emergency=True, supervisor=None, nearness="")
    )
    PlacementFactory(clinician=stage.owner, unit=other, home=False, kind=Placement.Kind.BANK)
    assert record_insertion(actor=stage.owner.user, entry=stage.entry(unit=other.uuid))


def test_a_placement_counts_on_the_day_of_the_insertion(stage):
    newcomer = make_clinician(stage.ward)
    Placement.objects.filter(clinician=newcomer)
    assert record_insertion(actor=newcomer.user, entry=entry_of(newcomer, stage.ward, stage.supervisor))
    with pytest.raises(Problems, match="No placement in this hospital on 31 December 2019"):
        record_insertion(
            actor=newcomer.user,
            entry=entry_of(newcomer, stage.ward, stage.supervisor, performed=datetime(2019, 12, 31, 12, 0)),
        )


# --- occasions ---


def test_a_new_occasion_gets_a_code_that_reads_unmistakably(stage):
    stored = record_insertion(actor=stage.owner.user, entry=stage.entry())
    assert len(stored.occasion) == 8
    assert not set(stored.occasion) & set("0O1IL")


def test_a_second_clinician_joins_and_brings_the_others_punctures(stage):
    first = record_insertion(
        actor=stage.owner.user, entry=stage.entry(attempts=(FAILED, replace(FAILED, result="taken_over", reason="")))
    )
    second = stage.cast.colleague
    typed = f"{first.occasion[:4].lower()} {first.occasion[4:].lower()}"
    joined = record_insertion(
        actor=second.user,
        entry=entry_of(second, stage.ward, stage.supervisor, occasion=typed, performed=datetime(2026, 3, 2, 12, 20)),
    )
    assert joined.occasion == first.occasion
    assert joined.others_before == 2
    row = Outcome.objects.get(insertion=joined.pk)
    assert (row.punctures, row.total, row.stratum) == (1, 3, 1)
    assert Outcome.objects.get(insertion=first.pk).success == 0


def test_an_occasion_is_joined_once_by_each_and_within_a_day(stage):
    first = record_insertion(actor=stage.owner.user, entry=stage.entry())
    assert refused(stage, occasion=first.occasion) == ["occasion"]
    assert refused(stage, occasion="ZZZZZZZZ") == ["occasion"]
    second = stage.cast.colleague
    entry = entry_of(second, stage.ward, None, occasion=first.occasion, performed=datetime(2026, 2, 28, 12, 0))
    with pytest.raises(Problems, match="more than a day"):
        record_insertion(actor=second.user, entry=entry)


# --- many at once ---


@pytest.mark.parametrize("source", [Source.FORM, Source.SHEET])
def test_checking_twenty_costs_as_many_queries_as_one(stage, source):
    others = [make_clinician(stage.ward) for _ in range(20)]
    entries = [entry_of(each, stage.ward, stage.supervisor) for each in others]

    def queries(batch):
        with CaptureQueriesContext(
            connection,
        ) as caught:
            checked = check(batch, context=Context(source))
        assert len(checked.ready) == len(batch)
        return len(caught)

    assert queries(entries) == queries(entries[:1])


def test_a_batch_sorts_every_entry_into_one_list(stage):
    stored = stage.entry()
    record_insertion(actor=stage.owner.user, entry=stored)
    new, bad = stage.entry(), stage.entry(band="")
    twice = stage.entry()
    checked = check(
        [stored, replace(stored, comment="Other."), new, bad, twice, twice, replace(twice, comment="Not the same.")],
        context=Context(),
    )
    assert [each.entry for each in checked.ready] == [new, twice]
    assert checked.already == [stored, twice]
    assert [each.entry.comment for each in checked.differs] == ["Other."]
    assert [each.entry.comment for each in checked.refused] == ["", "Not the same."]


def test_an_entry_logged_by_another_clock_day_keeps_its_own_local_day(stage):
    with clock.at(NOW + timedelta(days=1)):
        stored = record_insertion(actor=stage.owner.user, entry=stage.entry(performed=datetime(2026, 3, 3, 0, 15)))
    assert stored.performed_at.date() == date(2026, 3, 2)
    assert stored.performed_on == date(2026, 3, 3)
