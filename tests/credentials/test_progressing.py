"""What counts and why not, on screen: every piece with its reason, the sums of the lines, and who sees how much."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import corrections, countersigning, disputes
from audits.completions import NewCompletion, record_completion, withdraw_completion
from audits.models import Insertion, Procedure
from audits.tallies import NewTally, note_tally
from credentials import progressing, standings
from credentials.models import Programme
from credentials.recognising import Brought
from credentials.rules import progress
from credentials.rules.terms import Terms
from credentials.seeing import seen_by
from ledger import clock
from ledger.canonical import canonical
from people.access import access_of
from people.models import View
from tests.audits.conftest import FAILED, WORKED, give_award
from tests.credentials.conftest import TODAY, put_in_force, sign
from tests.credentials.test_recognising import recognised
from tests.credentials.test_tallied_standings import keep
from tests.factories import SignedObservationFactory, make_appointed

pytestmark = pytest.mark.django_db
A_DAY = timedelta(days=1)
SINCE = date(2026, 1, 12)
FIRST = datetime(2026, 1, 12, 10, 0)  # noqa: DTZ001 - the unit's own time
NOON = datetime(2026, 3, 1, 12, 0)  # noqa: DTZ001 - yesterday, the unit's own time
ASKED = Terms(
    entry_theory=1, simulation=2, successes=2, observations=2, observation_assessors=2, observation_not_main=True,
    other_evidence_cap=1,
).to_content()  # fmt: skip


def at_day(place: int) -> date:
    return at(place).date()


def at(place: int) -> datetime:
    return FIRST + timedelta(days=place)


def in_force(stage, content) -> None:
    """Before the learner began: only a first version may begin in the past."""
    with clock.at(datetime(2026, 1, 2, 3, 0, tzinfo=UTC)):
        put_in_force(Programme, stage, content, effective_on=date(2026, 1, 3))


def note(stage, kind: str, on: date = SINCE, **more):
    new = NewCompletion(
        clinician=stage.learner, procedure=stage.procedure, kind=kind, on=on, verified_by="Ed Ucator", **more
    )
    return record_completion(actor=stage.educator, new=new)


def observed(stage, place: int, assessor, **more):
    return SignedObservationFactory(
        clinician=stage.learner, procedure=stage.procedure, unit=stage.ward, assessor=assessor,
        observed_at=at(place).astimezone(), **more,
    )  # fmt: skip


@pytest.fixture
def learning(stage):
    """A learner of whom every kind of evidence is there, counting and not."""
    in_force(stage, ASKED)
    stage.log(at(-3))
    stage.ready_to_learn(SINCE)
    note(stage, "theory", passed=False)
    withdraw_completion(
        actor=stage.educator, completion=note(stage, "theory", on=SINCE + A_DAY), reason="Somebody else's."
    )
    note(stage, "knowledge", on=SINCE - 300 * A_DAY, valid_until=SINCE + A_DAY)
    made = {
        "signed": stage.log(at(1), by=0),
        "failed": stage.log(at(2), by=1, attempts=(FAILED,)),
        "same": stage.log(at(2) + timedelta(hours=2), by=0),
        "unsigned": stage.log(at(3), signed=False),
        "none": stage.log(at(4), signed=False, attempts=(), not_attempted="no_vein"),
        "emergency": stage.log(at(5), signed=False, supervisor=None, nearness="", emergency=True),
        "back": stage.log(at(6), signed=False),
        "gone": stage.log(at(7), signed=False),
        "doubted": stage.log(at(8)),
        "simulated": stage.log(at(9), simulation=True),
        "accepted": stage.log(at(10), signed=False),
        "accepted_too": stage.log(at(11), signed=False),
    }
    signer = sign(stage.supervisors[0], made["back"].digest, meaning="countersigned")
    countersigning.send_back(signer=signer, insertion=made["back"], note="It was the other hand.")
    proposal = corrections.propose_withdrawal(actor=stage.learner.user, insertion=made["gone"], reason="Entered twice.")
    signer = sign(stage.supervisors[0], corrections.digest_of_proposal(proposal), meaning="countersigned")
    corrections.decide(signer=signer, proposal=proposal, agree=True)
    disputes.open_dispute(actor=stage.learner.user, insertion=made["doubted"], about="result", reason="It ran well.")
    for name in ("accepted", "accepted_too"):
        signer = sign(stage.educator, made[name].digest, meaning="countersigned")
        countersigning.accept_on_other_evidence(signer=signer, insertion=made[name], note="Ward book, page 12")
    recognised(stage, Brought(
        clinician=stage.learner, procedure=stage.procedure, outcome="part", origin="Marrick Valley Health",
        evidence="Certificate seen.", reason="Same terms as ours.", insertions=2,
    ))  # fmt: skip
    observed(stage, 12, stage.supervisors[0])
    observed(stage, 13, stage.supervisors[1], purpose="learning")
    return stage


def found(stage, reader=None):
    access = access_of(reader or stage.educator)
    return progressing.what_counts(access, seen_by(access, stage.learner), stage.learner, stage.procedure)


def holds(stage, reader=None) -> list[progressing.LineShown]:
    """The lines of the page are those of the person's page, and what is listed comes to what each has."""
    shown = found(stage, reader)
    lines = [each for group in shown.groups for each in group.lines]
    standing = standings.judge_many([stage.pair])[stage.pair].standing
    wanted = [*standing.plan, *standing.entry, *standing.award, *standing.renewal]
    assert [each.line for each in lines] == wanted
    for each in lines:
        listed = sum(piece.counts for piece in each.pieces)
        assert listed == each.line.have or (each.more and listed < each.line.have)
    return lines


def reasons(lines, label: str) -> dict[date, str]:
    line = next(each for each in lines if each.line.label == label)
    return {piece.day: piece.why for piece in line.pieces if not piece.counts}


def test_what_is_listed_comes_to_what_each_line_has_and_the_rest_says_why(learning):
    lines = holds(learning)
    assert reasons(lines, progress.INSERTIONS) == {
        at_day(-3): "from before this enrolment",
        at_day(3): "not countersigned yet",
        at_day(4): "a no-attempt entry",
        at_day(5): "an emergency with nobody to supervise",
        at_day(6): "sent back by the supervisor, not countersigned",
        at_day(7): "withdrawn",
        at_day(8): "disputed, not counted until decided",
        at_day(11): "accepted on other evidence, more than the 1 that count",
        TODAY: "2 insertions recognised from elsewhere, 0 counted: other evidence counts up to 1",
    }
    assert reasons(lines, progress.SUCCESSES) == {at_day(2): "did not work first time"}
    assert reasons(lines, progress.SUPERVISORS) == {
        at_day(2): "the same supervisor as on 13 January 2026",
        at_day(10): "nobody signed that they were there",
    }
    assert reasons(lines, progress.DAYS) == {at_day(2): "the same day as another"}
    assert reasons(lines, progress.KNOWLEDGE) == {SINCE - 300 * A_DAY: "no longer valid since 13 January 2026"}
    theory = next(each for each in lines if each.line.label == progress.THEORY)
    assert {piece.why for piece in theory.pieces} == {"not passed", "withdrawn: Somebody else's."}
    assert reasons(lines, progress.OBSERVATIONS) == {at_day(13): "for learning, not for a decision"}


def test_the_reason_changes_with_the_signature(stage):
    stage.ready_to_learn(TODAY - 3 * A_DAY)
    row = stage.log(NOON, signed=False)
    assert reasons(holds(stage), progress.INSERTIONS) == {NOON.date(): "not countersigned yet"}
    signer = sign(stage.supervisors[0], row.digest, meaning="countersigned")
    countersigning.countersign(signer=signer, insertion=row, nearness="nearby")
    told = reasons(holds(stage), progress.INSERTIONS)
    assert told == {NOON.date(): "countersigned ‘nearby’, which does not count here"}


def test_what_another_procedure_lends_is_named_and_capped(stage):
    other = Procedure.objects.create(code="OTHER", name="Another way in", band="adult", technique="ultrasound")
    for user in stage.supervisors:
        row = user.clinician.awards.get(procedure=stage.procedure)
        give_award(user.clinician, other, stage.cast.wards.department, terms=row.terms)
    asked = Terms(counts_from=("OTHER",), counts_from_cap=1).to_content()
    in_force(stage, asked)
    stage.ready_to_learn(SINCE)
    there = {"technique": "ultrasound", "attempts": (replace(WORKED, technique="ultrasound"),)}
    for place in (1, 2):
        stage.log(at(place), **there)
    line = next(each for each in holds(stage) if each.line.label == progress.INSERTIONS)
    assert [(piece.counts, piece.why) for piece in line.pieces] == [
        (1, ""), (0, "more than the 1 that count from other procedures"),
    ]  # fmt: skip
    assert line.pieces[0].about.startswith("Another way in; signed by ")


def test_renewal_takes_what_was_logged_signed_or_not_and_shift_tallies(stage):
    give_award(stage.learner, stage.procedure, stage.cast.wards.hospital, terms=canonical(Terms().to_content()))
    keep(stage)
    stage.log(at(1), signed=False)
    stage.log(at(2), signed=False, attempts=(), not_attempted="no_vein")
    stage.log(datetime(2025, 2, 1, 10, 0))  # noqa: DTZ001
    new = NewTally(clinician=stage.learner, procedure=stage.procedure, unit=stage.ward, on=TODAY - A_DAY, insertions=4)
    note_tally(actor=stage.educator, new=new)
    (line,) = holds(stage)
    assert [(piece.counts, piece.why) for piece in line.pieces] == [
        (0, "from before the last 12 months"),
        (1, ""),
        (0, "a no-attempt entry"),
        (4, "4 insertions of a shift tally"),
    ]


def test_who_may_not_open_an_entry_reads_how_many_there_are_and_no_more(learning):
    stage = learning
    lines = holds(stage, stage.cast.manager)
    whole = {each.line.label: each for each in holds(stage)}
    line = next(each for each in lines if each.line.label == progress.INSERTIONS)
    all_of_it = whole[progress.INSERTIONS]
    assert [piece.about for piece in line.pieces] == ["Marrick Valley Health"]
    assert line.more == len(all_of_it.counting)
    assert line.more_not == len(all_of_it.left_out) + len(all_of_it.outside) - 1
    theory = next(each for each in lines if each.line.label == progress.THEORY)
    assert theory.pieces == []


def test_a_supervisor_opens_what_names_them_and_nothing_else(learning):
    stage = learning
    line = next(each for each in holds(stage, stage.supervisors[1]) if each.line.label == progress.INSERTIONS)
    assert [piece.day for piece in line.counting] == [at(2).date()]
    assert line.more == 3


def test_the_page_is_linked_beside_the_progress_and_links_to_each_piece(client, learning):
    stage = learning
    client.force_login(stage.educator)
    url = reverse("what_counts", args=[stage.learner.uuid, stage.procedure.pk])
    assert f'href="{url}"' in client.get(reverse("person", args=[stage.learner.uuid])).content.decode()
    page = client.get(url).content.decode()
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", page))
    assert "have 4, need 10" in text
    assert "Does not count: 8" in text
    assert "not countersigned yet" in text
    row = Insertion.objects.known().get(performed_on=at(3).date())
    assert reverse("entry", args=[row.uuid]) in page
    assert View.objects.filter(page="counts", user=stage.educator, clinician=stage.learner).exists()


def test_only_who_may_know_the_progress_opens_it(client, learning):
    stage = learning
    url = reverse("what_counts", args=[stage.learner.uuid, stage.procedure.pk])
    elsewhere = make_appointed("supervisor", stage.ward, "Pass Erby")
    for user, status in (
        (stage.learner.user, 200),
        (stage.supervisors[0], 200),
        (stage.cast.manager, 200),
        (elsewhere, 403),
        (stage.cast.colleague.user, 403),
        (stage.cast.outsider.user, 404),
    ):
        client.force_login(user)
        assert client.get(url).status_code == status, user
    client.force_login(stage.educator)
    assert client.get(reverse("what_counts", args=[stage.learner.uuid, 999])).status_code == 404


def test_of_somebody_of_whom_nothing_is_asked_it_says_so(client, stage):
    client.force_login(stage.educator)
    page = client.get(reverse("what_counts", args=[stage.learner.uuid, stage.procedure.pk])).content.decode()
    assert "Nothing is asked" in page


def test_the_page_costs_a_fixed_number_of_queries(client, learning):
    stage = learning
    client.force_login(stage.educator)
    url = reverse("what_counts", args=[stage.learner.uuid, stage.procedure.pk])
    client.get(url)
    with CaptureQueriesContext(connection) as few:
        client.get(url)
    for place in range(14, 24):
        stage.log(at(place), by=place % 2)
        observed(stage, place, stage.supervisors[place % 2])
        note(stage, "simulation", on=at(place).date())
    with CaptureQueriesContext(connection) as many:
        client.get(url)
    assert len(many) == len(few)
