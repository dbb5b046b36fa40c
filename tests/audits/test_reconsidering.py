"""A supervisor found not eligible: what rests on them, and a batch decision of an educator who is no part of it."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import countersigning, logbook, reconsidering
from audits.awards import end_award
from audits.measures import rows_of
from audits.models import Award, Insertion, Outcome, Reconsidered, Statement
from audits.outcomes import wrong as wrong_rows
from ledger import clock
from ledger.acts import head, recording
from ledger.verify import verify
from people.access import NotPermitted, access_of
from people.problems import Problems
from tests.audits.conftest import NOW, Stage, confirmed
from tests.factories import SECRET, make_appointed
from tests.ledger.conftest import unguard

pytestmark = [pytest.mark.django_db]
TODAY = date(2026, 3, 2)
REASON = "Ten of them were compared with the ward's own list: all took place as logged."


@pytest.fixture
def signed(stage: Stage) -> list[Insertion]:
    """Three countersigned in the room; then it comes out that the supervisor's award had ended before."""
    made = []
    for place in range(3):
        entry = stage.entry(performed=stage.entry().performed - timedelta(hours=place))
        row = logbook.record_insertion(actor=stage.owner.user, entry=entry)
        countersigning.countersign(signer=confirmed(stage.supervisor, row.digest), insertion=row, nearness="in_room")
        made.append(row)
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, Award.objects.known().get(clinician=stage.holder), date(2026, 1, 1))
    return made


def statements(stage: Stage) -> list[Statement]:
    return [each.statement for each in reconsidering.in_question(access_of(stage.cast.educator))]


def decided(user, rows, outcome: str, reason: str = REASON) -> list[Reconsidered]:
    signer = confirmed(user, reconsidering.decision_digest(rows, outcome, reason), meaning=reconsidering.MEANING)
    return reconsidering.decide(signer=signer, statements=rows, outcome=outcome, reason=reason)


def counted(stage: Stage, known: int | None = None) -> tuple[int, int, int, int]:
    """How many count for safety, credit, volume, and are in question."""
    rows = list(rows_of({stage.owner.pk}, on=TODAY, known=known))
    return (
        sum(row.safety > 0 for row in rows),
        sum(row.credit > 0 for row in rows),
        sum(row.volume for row in rows),
        sum(row.in_question for row in rows),
    )


def wrong() -> list[str]:
    return [each.reason for each in verify().problems if "signature" in each.reason and "guard" not in each.reason]


def test_what_rests_on_a_signer_who_could_not_is_listed_with_the_reason(stage, signed):
    found = reconsidering.in_question(access_of(stage.cast.educator))
    assert [each.insertion.uuid for each in found] == [row.uuid for row in reversed(signed)]
    assert {each.statement.by for each in found} == {stage.supervisor}
    assert all(each.why for each in found)
    assert reconsidering.count_for(access_of(stage.cast.educator)) == 3
    for user in (stage.cast.manager, stage.supervisor, stage.owner.user):
        assert reconsidering.in_question(access_of(user)) == []


def test_until_somebody_decides_it_counts_and_is_in_question_then_it_counts(stage, signed):
    assert counted(stage) == (3, 3, 3, 3)
    known = head()
    decided(stage.cast.educator, statements(stage), "counts")
    assert counted(stage) == (3, 3, 3, 0)
    assert counted(stage, known) == (3, 3, 3, 3)
    assert counted(stage, head()) == (3, 3, 3, 0)
    assert wrong_rows() == []
    assert wrong() == []


def test_struck_it_gives_no_credit_and_stays_for_safety_and_volume(stage, signed):
    decided(stage.cast.educator, statements(stage)[:2], "struck")
    assert counted(stage) == (3, 1, 3, 1)
    assert len(statements(stage)) == 1
    assert wrong_rows() == []


def test_what_was_decided_may_be_decided_otherwise(stage, signed):
    rows = statements(stage)
    decided(stage.cast.educator, rows, "struck")
    again = [each.statement for each in reconsidering.resting_on(access_of(stage.cast.educator), stage.supervisor)]
    assert {each.pk for each in again} == {each.pk for each in rows}
    decided(stage.cast.educator, again, "counts")
    assert counted(stage) == (3, 3, 3, 0)
    assert Reconsidered.objects.known().count() == 3
    assert wrong() == []


def test_nobody_decides_about_their_own_entry_or_signature_nor_elsewhere(stage, signed):
    rows = statements(stage)
    for user in (
        stage.owner.user, stage.supervisor, stage.cast.manager, make_appointed("educator", stage.cast.wards.other_ward)
    ):  # fmt: skip
        with pytest.raises(NotPermitted):
            decided(user, rows, "counts")
    assert not Reconsidered.objects.exists()


@pytest.mark.parametrize(("outcome", "reason", "words"), [("counts", " ", "Say why"), ("perhaps", REASON, "Choose")])
def test_what_is_missing_is_said(stage, signed, outcome, reason, words):
    with pytest.raises(Problems, match=words):
        decided(stage.cast.educator, statements(stage), outcome, reason)


def test_one_that_is_not_in_question_is_refused_with_the_whole_batch(stage, signed):
    rows = statements(stage)
    with recording(actor=None, kind="award.made") as rec:
        row = Award.objects.known().get(clinician=stage.holder)
        end_award(rec, row, date(2026, 12, 1))
    with pytest.raises(Problems, match="look again"):
        decided(stage.cast.educator, rows, "counts")


def test_a_batch_costs_no_more_queries_than_one(stage, signed):
    rows = statements(stage)
    with CaptureQueriesContext(connection) as one:
        decided(stage.cast.educator, rows[:1], "counts")
    with CaptureQueriesContext(connection) as two:
        decided(stage.cast.educator, rows[1:], "counts")
    assert len(two) == len(one)


@pytest.mark.parametrize("change", [{"outcome": "struck"}, {"reason": "Another."}])
def test_an_altered_decision_is_found(stage, signed, change):
    decided(stage.cast.educator, statements(stage), "counts")
    unguard()
    Reconsidered.objects.filter(pk=Reconsidered.objects.first().pk).update(**change)
    assert len(wrong()) == 1


def test_an_educator_decides_a_batch_on_screen_and_it_leaves_today(client, stage, signed):
    client.force_login(stage.cast.educator)
    url = reverse("in_question")
    assert "3 countersignatures are in question" in client.get(reverse("today")).content.decode()
    shown = client.get(url).content.decode()
    assert shown.count('name="statements"') == 3
    keys = [each.pk for each in statements(stage)]
    body = {"statements": keys[:2], "outcome": "counts", "reason": REASON}
    assert "Tick at least one" in client.post(url, {**body, "statements": []}).content.decode()
    check = client.post(url, body)
    assert "Check before you sign" in check.content.decode()
    seal = {"email": stage.cast.educator.email, "secret": SECRET, "shown": check.context["form"].initial["shown"]}
    assert client.post(url, {**body, **seal}).status_code == 302
    assert Outcome.objects.filter(in_question=1).count() == 1
    with clock.at(NOW):
        assert "1 countersignature is in question" in client.get(reverse("today")).content.decode()


@pytest.mark.std("A-05")
def test_each_of_a_batch_is_shown_with_its_content_and_none_can_be_slipped_in(client, stage, signed):
    client.force_login(stage.cast.educator)
    url = reverse("in_question")
    keys = [each.pk for each in statements(stage)]
    body = {"statements": keys[:2], "outcome": "counts", "reason": REASON}
    check = client.post(url, body)
    assert check.content.decode().count("Working first time; 1 puncture. Countersigned, in the room") == 2
    seal = {"email": stage.cast.educator.email, "secret": SECRET, "shown": check.context["form"].initial["shown"]}
    before = head()
    for chosen in (keys, keys[1:], [*keys[:2], 999_999]):
        told = client.post(url, {**body, **seal, "statements": chosen}).content.decode()
        assert "was not shown to you" in told or "One was decided meanwhile" in told
    assert head() == before
    assert client.post(url, {**body, **seal}).status_code == 302
    made = Reconsidered.objects.known()
    assert {each.statement_id for each in made} == set(keys[:2])
