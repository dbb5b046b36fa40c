"""Who decides a disagreement, or about signatures in question, is killed after each statement: whole or nothing."""

from datetime import date

import pytest

from audits import countersigning, disputes, reconsidering
from audits.awards import end_award
from audits.logbook import record_insertion
from audits.models import Award, Dispute, Insertion, Outcome, Reconsidered, Ruling, Statement
from ledger.acts import recording
from ledger.models import Act
from people.access import access_of
from people.models import Shown, Stale
from tests.audits.conftest import Stage, an_hour_ago, confirmed, entry_of, make_stage
from tests.audits.test_kill import kill_everywhere
from tests.factories import SECRET
from tests.ledger.conftest import process as process  # the fixture

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.std("A-16")]
REASON = "Both were asked, and the chart of the ward agrees."

RULE = """
    from audits.models import Dispute
    from audits.ruling import MEANING, rule, ruling_digest
    from people.models import User
    from people.signing import confirm
    about = Dispute.objects.get(pk={dispute})
    digests = [ruling_digest(about, {outcome!r}, {reason!r})]
    signer = confirm(user=User.objects.get(pk={user}), secret={secret!r}, meaning=MEANING, digests=digests)
    rule(signer=signer, dispute=about, outcome={outcome!r}, reason={reason!r})
"""
DECIDE = """
    from audits.models import Statement
    from audits.reconsidering import MEANING, decide, decision_digest
    from people.models import User
    from people.signing import confirm
    rows = list(Statement.objects.filter(pk__in={statements!r}).select_related("insertion"))
    digests = [decision_digest(rows, {outcome!r}, {reason!r})]
    signer = confirm(user=User.objects.get(pk={user}), secret={secret!r}, meaning=MEANING, digests=digests)
    decide(signer=signer, statements=rows, outcome={outcome!r}, reason={reason!r})
"""


@pytest.fixture
def today() -> Stage:
    return make_stage(expires_on=date(2100, 1, 1), months=900)


def logged(today: Stage) -> Insertion:
    """An entry of an hour ago that its supervisor countersigned."""
    entry = entry_of(today.owner, today.ward, today.supervisor, performed=an_hour_ago(), fold=0)
    made = record_insertion(actor=today.owner.user, entry=entry)
    countersigning.countersign(signer=confirmed(today.supervisor, made.digest), insertion=made, nearness="in_room")
    return made


def disputed(today: Stage, row: Insertion, about: str) -> Dispute:
    return disputes.open_dispute(actor=today.owner.user, insertion=row, about=about, reason="It was not like this.")


def written() -> tuple[int, ...]:
    """Acts, rulings, decisions of a batch, those after which somebody is judged again, signatures used."""
    used = Shown.objects.filter(used__isnull=False)
    return (
        Act.objects.count(),
        Ruling.objects.count(),
        Reconsidered.objects.count(),
        Stale.objects.values("act").distinct().count(),
        used.count(),
    )


@pytest.mark.parametrize(
    ("about", "outcome", "then"),
    [
        # open disputes, versions of the entry, withdrawn, statements that stand, credit, in question
        ("result", "struck", (0, 2, 1, 1, 0)),
        ("statement", "struck", (0, 1, 0, 0, 0)),
    ],
)
def test_who_decides_a_disagreement_and_is_killed_leaves_it_open_or_decided_with_all_that_follows(
    today, process, about, outcome, then
):
    row = logged(today)
    dispute = disputed(today, row, about)
    start = written()

    def state():
        return (
            tuple(now - was for now, was in zip(written(), start, strict=True)),
            (
                Dispute.objects.known().count(),
                Insertion.objects.count(),
                Insertion.objects.known().filter(withdrawn=True).count(),
                Statement.objects.known().count(),
                Outcome.objects.filter(credit__gt=0).count(),
            ),
        )

    before = state()
    assert before == ((0, 0, 0, 0, 0), (1, 1, 0, 1, 0))
    work = RULE.format(dispute=dispute.pk, outcome=outcome, reason=REASON, user=today.cast.educator.pk, secret=SECRET)
    places = kill_everywhere(process, work, state, before=before, after=((1, 1, 0, 1, 1), then))
    assert places > 20


def test_who_decides_about_three_signatures_and_is_killed_leaves_all_in_question_or_none(today, process):
    for _ in range(3):
        logged(today)
    with recording(actor=None, kind="award.made") as rec:
        end_award(rec, Award.objects.known().get(clinician=today.holder), date(2026, 1, 1))
    found = [each.statement for each in reconsidering.in_question(access_of(today.cast.educator))]
    start = written()

    def state():
        rows = Outcome.objects.all()
        return (
            tuple(now - was for now, was in zip(written(), start, strict=True)),
            (rows.filter(in_question=1).count(), rows.filter(credit__gt=0).count(), rows.filter(volume=1).count()),
        )

    before = state()
    assert before == ((0, 0, 0, 0, 0), (3, 3, 3))
    work = DECIDE.format(
        statements=[each.pk for each in found], outcome="struck", reason=REASON, user=today.cast.educator.pk,
        secret=SECRET,
    )  # fmt: skip
    places = kill_everywhere(process, work, state, before=before, after=((1, 0, 3, 1, 1), (0, 0, 3)))
    assert places > 20
