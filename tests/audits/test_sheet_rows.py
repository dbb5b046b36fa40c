"""Rows of a sheet: complete or partial, before and after the start day; stored in bulk, changed as corrections."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from audits.corrections import add_correction, claim_of
from audits.countersigning import accept_on_other_evidence, countersign, queue
from audits.entry import AttemptMade
from audits.figures import Credit
from audits.logbook import Claim, Conflict, Context, Source, check, store
from audits.models import Attempt, Insertion, Outcome, Proposal, Sheet
from audits.outcomes import wrong
from ledger import clock
from ledger.acts import recording
from people.access import access_of
from people.models import Stale
from people.problems import Problems
from people.tree import tree
from tests.audits.conftest import FAILED, NOW, confirmed, entry_of
from tests.factories import SettingFactory, make_clinician

START = date(2026, 2, 1)
BARE = AttemptMade(site="", gauge=0, result="failed")


@pytest.fixture
def started(stage):
    SettingFactory(unit=stage.cast.wards.hospital, name="start_day", about=stage.procedure.code, plain="2026-02-01")
    return stage


def complete(stage, first=START, last=date(2026, 3, 1)):
    return Context(Source.SHEET, Claim(tree().below(stage.cast.wards.department.pk), first, last))


PARTIAL = Context(Source.SHEET)


def row(stage, day, **changes):
    when = datetime.combine(day, datetime.min.time())
    return stage.entry(performed=when, time_known=False, nearness="", events=None, **changes)


def imported(checked, sheet=None):
    with recording(actor=None, kind="logbook.imported") as rec:
        return store(checked, rec=rec, sheet=sheet)


def outcome(checked):
    imported(checked)
    found = Outcome.objects.get()
    return found.safety, found.in_rate, found.volume, found.credit, found.partial


@pytest.mark.parametrize("day", [START, date(2026, 3, 1)])
def test_a_row_from_the_start_day_on_is_complete_for_its_day(started, day):
    checked = check([row(started, day)], context=complete(started))
    assert [(each.source, each.partial) for each in checked.ready] == [(Source.SHEET, False)]
    assert outcome(checked) == (1, 1, 1, Credit.NONE, 0)


@pytest.mark.parametrize(
    ("day", "first", "last"),
    [
        (date(2026, 2, 10), date(2026, 2, 11), date(2026, 3, 1)),  # before the first complete day
        (date(2026, 2, 10), START, date(2026, 2, 9)),  # after the last
    ],
)
def test_a_row_outside_the_complete_days_is_partial(started, day, first, last):
    checked = check([row(started, day)], context=complete(started, first, last))
    assert outcome(checked) == (1, 0, 1, Credit.NONE, 1)


def test_a_row_of_a_unit_that_was_not_named_is_partial(started):
    checked = check([row(started, START, unit=started.cast.wards.day_ward.uuid)], context=complete(started))
    assert [each.partial for each in checked.ready] == [True]


def test_a_row_of_a_partial_sheet_counts_for_events_and_volume_and_never_in_a_rate(started):
    assert outcome(check([row(started, START)], context=PARTIAL)) == (1, 0, 1, Credit.NONE, 1)


def test_a_complete_row_before_the_start_day_is_refused_with_advice(started):
    checked = check([row(started, START - timedelta(days=1))], context=complete(started, first=date(2026, 1, 1)))
    (refused,) = checked.refused
    assert refused.problems[0].text == (
        "The start day of this unit is 1 February 2026, after this row: move the start day first, "
        "or import the sheet as partial."
    )


def test_without_a_start_day_a_complete_row_is_refused_and_a_partial_one_is_paper(stage):
    (refused,) = check([row(stage, START)], context=complete(stage)).refused
    assert "was never set" in refused.problems[0].text
    assert outcome(check([row(stage, START)], context=PARTIAL)) == (0, 0, 0, Credit.PAPER, 0)


def test_a_partial_row_before_the_start_day_is_paper_and_nothing_else(started):
    checked = check([row(started, START - timedelta(days=1))], context=PARTIAL)
    assert [each.source for each in checked.ready] == [Source.PAPER]
    assert outcome(checked) == (0, 0, 0, Credit.PAPER, 0)


def test_paper_is_in_nobodys_queue_and_takes_no_signature(started):
    stored = imported(check([row(started, START - timedelta(days=1))], context=PARTIAL))
    (key,) = stored.insertions.values()
    paper = Insertion.objects.get(pk=key)
    assert queue(access_of(started.supervisor)) == []
    with pytest.raises(Problems, match="counts as paper"):
        countersign(signer=confirmed(started.supervisor, paper.digest), insertion=paper, nearness="in_room")
    with pytest.raises(Problems, match="counts as paper"):
        accept_on_other_evidence(signer=confirmed(started.cast.educator, paper.digest), insertion=paper, note="Seen")


def test_the_thirty_days_of_a_row_run_from_its_import(started):
    (key,) = imported(check([row(started, START)], context=complete(started))).insertions.values()
    logged = Insertion.objects.get(pk=key)
    (waiting,) = queue(access_of(started.supervisor))
    assert waiting.days_left == 30
    with clock.at(NOW + timedelta(days=30)):
        countersign(signer=confirmed(started.supervisor, logged.digest), insertion=logged, nearness="in_room")
    assert Outcome.objects.get().credit == Credit.IN_ROOM


def test_a_date_without_a_time_is_the_start_of_that_local_day(started):
    imported(check([row(started, START)], context=PARTIAL))
    stored = Insertion.objects.get()
    assert (stored.time_known, stored.performed_on) == (False, START)
    assert stored.performed_at == datetime(2026, 1, 31, 13, 30, tzinfo=UTC)


def test_today_is_no_future_and_tomorrow_is(started):
    checked = check([row(started, date(2026, 3, 2)), row(started, date(2026, 3, 3))], context=PARTIAL)
    assert (len(checked.ready), len(checked.refused)) == (1, 1)


def test_a_sheet_may_know_less_and_asks_no_placement(started):
    elsewhere = row(started, START, unit=started.cast.wards.other_ward.uuid, attempts=(BARE, BARE))
    imported(check([elsewhere], context=PARTIAL))
    assert list(Attempt.objects.values_list("site", "gauge", "result")) == [("", 0, "failed")] * 2


def test_many_rows_are_one_act_with_an_outbox_row_for_each_person(started):
    others = [make_clinician(started.ward) for _ in range(5)]
    entries = [
        entry_of(
            each, started.ward, started.supervisor, performed=datetime.combine(START, datetime.min.time()),
            time_known=False, comment=f"Row {number}",
        )
        for each in others
        for number in range(4)
    ]  # fmt: skip
    stored = imported(check(entries, context=complete(started)))
    assert len(stored.insertions) == len(set(stored.digests)) == 20
    assert [Insertion.objects.get(uuid=each.uuid).digest for each in entries] == list(stored.digests)
    assert Insertion.objects.values("known_from").distinct().count() == 1
    assert set(Stale.objects.values_list("clinician", flat=True)) == {each.pk for each in others}
    assert wrong() == []


def test_next_months_sheet_brings_what_is_new_and_a_changed_row_is_a_correction(started):
    first, second = row(started, START), row(started, START + timedelta(days=1))
    imported(check([first], context=complete(started)))
    changed = replace(first, attempts=(FAILED,))
    checked = check([first, second, changed], context=complete(started))
    assert checked.already == [first]
    assert [each.entry for each in checked.ready] == [second]
    (differs,) = checked.differs
    assert differs.entry == changed
    old = Insertion.objects.get(pk=differs.insertion)
    with recording(actor=started.cast.educator, kind="logbook.imported") as rec:
        store(checked, rec=rec)
        proposal = add_correction(
            rec, actor=started.cast.educator, insertion=old, entry=changed, reason="Changed in the sheet of March."
        )
    assert isinstance(proposal, Proposal)
    assert proposal.known_from_id == rec.seq
    assert Insertion.objects.known().get(uuid=first.uuid) == old


def test_a_row_stored_since_it_was_checked_stops_the_import(started):
    entry = row(started, START)
    checked = check([entry], context=complete(started))
    imported(checked)
    with pytest.raises(Conflict):
        imported(checked)
    assert Insertion.objects.count() == 1


def test_a_corrected_row_keeps_what_its_sheet_claimed(started):
    with recording(actor=started.cast.educator, kind="logbook.imported") as rec:
        sheet = Sheet.objects.create(
            digest="0" * 64, complete_from=START, complete_through=date(2026, 3, 1), by=started.cast.educator,
            known_from_id=rec.seq,
        )  # fmt: skip
        sheet.units.set([started.cast.wards.department])
        first = row(started, START)
        store(check([first], context=Context(Source.SHEET, claim_of(sheet))), rec=rec, sheet=sheet)
    old = Insertion.objects.get()
    with recording(actor=started.cast.educator, kind="insertion.corrected") as rec:
        newer = add_correction(
            rec, actor=started.cast.educator, insertion=old, entry=replace(first, comment="Left."), reason="Forgot."
        )
    assert (newer.source, newer.partial, newer.sheet) == (Source.SHEET, False, sheet)
    assert claim_of(sheet).covers(started.ward.pk, START)
    assert not claim_of(None).covers(started.ward.pk, START)
