"""Shift tallies in standings: counted for renewal, volume and recency; as known then; the basis of each day's home."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.tallies import NewTally, note_tally
from credentials.gathering import facts_of, ground, people
from credentials.models import Standing
from credentials.rules.facts import Basis, BasisFrom, Tallied
from credentials.rules.terms import Terms
from credentials.standings import judge_many, read, rebuild, refresh
from ledger.acts import head
from ledger.canonical import canonical
from people import staffing
from people.models import Stale
from people.settings import set_setting
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY, Stage
from tests.factories import make_clinician

A_DAY = timedelta(days=1)
SINCE = date(2025, 1, 1)


def hold(stage: Stage, clinician: Any = None) -> None:
    terms = canonical(Terms(renewal_insertions=6).to_content())
    give_award(clinician or stage.learner, stage.procedure, stage.cast.wards.hospital, terms=terms)


def keep(stage: Stage, value: str = "tally", since: date = SINCE, **changes: Any) -> None:
    set_setting(**{"actor": stage.educator, "unit": stage.ward, "name": "logging_basis", "value": value,
                   "from_day": since, **changes})  # fmt: skip


def note(stage: Stage, insertions: int, *, on: date = TODAY, who: Any = None) -> None:
    new = NewTally(
        clinician=who or stage.learner, procedure=stage.procedure, unit=stage.ward, on=on, insertions=insertions
    )
    note_tally(actor=stage.educator, new=new)


def facts(stage: Stage, on: date = TODAY, known: int | None = None) -> Any:
    at = ground(known)
    return facts_of(people([stage.learner.pk], at)[stage.learner.pk], stage.procedure.pk, at, on)


@pytest.fixture
def kept(stage: Stage) -> Stage:
    hold(stage)
    keep(stage)
    return stage


def renewal(stage: Stage, **at: Any) -> tuple[int, int, str]:
    (line,) = [each for each in read(*stage.pair, **at).standing.renewal if each.label.startswith("Insertions")]
    return line.have, line.need, line.note


def test_tallies_count_for_renewal_and_the_line_says_how_many(kept):
    note(kept, 4)
    note(kept, 3, on=TODAY - A_DAY)
    assert renewal(kept) == (7, 6, "7 of these from shift tallies")


def test_a_tally_taken_back_counts_no_longer_and_as_known_then_it_still_does(kept):
    note(kept, 4)
    number = head()
    note(kept, 0)
    assert renewal(kept)[0] == 0
    assert renewal(kept, known=number)[0] == 4
    assert facts(kept, known=number).tallies == (Tallied(TODAY, 4),)
    assert facts(kept).tallies == ()


def test_a_tally_is_no_insertion_in_a_rate_and_no_credit(kept):
    note(kept, 4)
    judged = judge_many([kept.pair])[kept.pair]
    assert (judged.standing.recent.insertions, judged.standing.recent.last_on) == (0, TODAY)
    assert not any(sum(credit.attempted) for credit in judged.figures.credits.values())


def test_what_is_stored_is_what_a_rebuild_gives(kept):
    note(kept, 4)
    note(kept, 2, on=TODAY - 3 * A_DAY)
    refresh()
    stored = {row.pk: (row.body, row.next_change_on) for row in Standing.objects.filter(clinician=kept.learner)}
    rebuild()
    again = {row.pk: (row.body, row.next_change_on) for row in Standing.objects.filter(clinician=kept.learner)}
    assert stored
    assert list(stored.values()) == list(again.values())


def test_rules_that_need_every_insertion_say_that_they_cannot_be_asked(kept):
    note(kept, 4)
    silent = {each.rule: each.text for each in read(*kept.pair).standing.not_assessable}
    for rule in ("first_attempt_rate", "drift", "repeated_failure"):
        assert "Not every insertion" in silent[rule]
    assert "recency" not in silent
    assert "volume" not in silent or "Not every" not in silent["volume"]


# --- whose basis, and when ---


def test_the_basis_is_that_of_the_home_unit_of_each_day(stage):
    keep(stage)
    keep(stage, "every_insertion", since=date(2025, 6, 1))
    next_ward = stage.cast.wards.next_ward
    staffing.move(actor=stage.educator, clinician=stage.learner, unit=next_ward, from_day=date(2025, 9, 1))
    keep(stage, "fortnight", unit=next_ward)
    keep(stage, "tally", unit=next_ward, since=date(2025, 12, 1))
    assert facts(stage).basis == (
        BasisFrom(SINCE, Basis.TALLY),
        BasisFrom(date(2025, 6, 1), Basis.EVERY_INSERTION),
        BasisFrom(date(2025, 9, 1), Basis.FORTNIGHT),
        BasisFrom(date(2025, 12, 1), Basis.TALLY),
    )


def test_a_basis_about_another_procedure_is_none_of_this_one(stage):
    keep(stage, about="another")
    assert facts(stage).basis == ()
    keep(stage, "fortnight", about=stage.procedure.code)
    assert facts(stage).basis == (BasisFrom(SINCE, Basis.FORTNIGHT),)


def test_a_basis_of_a_later_day_changes_nothing_before_it_and_its_day_is_named(stage):
    hold(stage)
    keep(stage, since=TODAY + 5 * A_DAY)
    assert TODAY + 5 * A_DAY in facts(stage).later_changes
    found = read(*stage.pair)
    assert found.next_change_on <= TODAY + 5 * A_DAY
    told = [judge_many([stage.pair], on=TODAY + days * A_DAY)[stage.pair].standing.not_assessable for days in (4, 5)]
    said = [any(each.rule == "drift" and "Not every" in each.text for each in of_day) for of_day in told]
    assert said == [False, True]


@pytest.mark.parametrize(("name", "value"), [("logging_basis", "fortnight"), ("fortnight_begins", "20")])
def test_a_setting_of_the_basis_touches_whoever_is_or_was_placed_there(stage, name, value):
    gone = make_clinician(stage.ward, "Was Here")
    staffing.move(actor=stage.educator, clinician=gone, unit=stage.cast.wards.next_ward, from_day=TODAY)
    elsewhere = make_clinician(stage.cast.wards.other_ward, "Else Where")
    refresh()
    Stale.objects.all().delete()
    keep(stage, value, name=name)
    touched = set(Stale.objects.values_list("clinician", flat=True))
    assert {stage.learner.pk, gone.pk} <= touched
    assert elsewhere.pk not in touched


def test_many_people_with_tallies_cost_no_more_queries_than_one(kept):
    def cost(pairs) -> int:
        with CaptureQueriesContext(connection) as found:
            judge_many(pairs)
        return len(found)

    note(kept, 4)
    few = cost([kept.pair])
    pairs = [kept.pair]
    for place in range(3):
        who = make_clinician(kept.ward, f"Holder {place}")
        hold(kept, who)
        note(kept, 2, who=who)
        note(kept, 1, who=who, on=TODAY - A_DAY)
        pairs.append((who.pk, kept.procedure.pk))
    assert cost(pairs) == few
