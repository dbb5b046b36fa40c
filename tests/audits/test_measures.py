# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""Figures: as known now and as known then, in whatever order entries came, through every write there is."""

import random
from contextlib import suppress
from dataclasses import replace
from datetime import date, datetime, timedelta
from uuid import UUID

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audits.awards import NewRestriction, add_restriction, end_award, end_restriction
from audits.corrections import correct, decide, digest_of_proposal, propose_withdrawal
from audits.countersigning import (
    AlreadyDecided,
    accept_on_other_evidence,
    countersign,
    not_me,
    send_back,
)
from audits.disputes import open_dispute, take_back
from audits.figures import Ask, CreditAsk, PathAsk, Row, Window
from audits.integrity import altered
from audits.logbook import record_insertion
from audits.measures import measures, rows_of
from audits.models import Award, Dispute, Insertion, Outcome, Proposal, Restriction, Statement
from audits.outcomes import wrong
from audits.versions import entry_of
from ledger import acts, clock
from ledger.acts import recording
from people.access import NotPermitted
from people.appointing import end_appointment
from people.models import Appointment
from people.problems import Problems
from tests.audits.conftest import FAILED, NOW, WORKED, confirmed, make_stage
from tests.audits.conftest import entry_of as entry_for
from tests.factories import SettingFactory, make_clinician

DAY = date(2026, 3, 2)


def ask(on=DAY, **changes):
    """Everything that can be asked, for one day."""
    return Ask(
        **{
            "on": on,
            "windows": {"year": Window(on - timedelta(days=365), on), "month": Window(on - timedelta(days=30), on)},
            "credits": {"award": CreditAsk(date(2020, 1, 1)), "plan": CreditAsk(date(2026, 2, 1), nearby=True)},
            "path": PathAsk(date(2020, 1, 1), 0.8, -0.2, 2.0),
            "run_from": date(2020, 1, 1),
            "punctures": 1,
            "total": 2,
            "attempts_from": date(2020, 1, 1),
            "events_from": date(2020, 1, 1),
        }
        | changes
    )


def figures(stage, *, clinicians=None, on=DAY, known=None):
    who = [each.pk for each in clinicians or [stage.owner]]
    asks = {(each, stage.procedure.pk): ask(on) for each in who}
    return measures(who, asks=asks, on=on, known=known)


def log(stage, **changes):
    return record_insertion(actor=stage.owner.user, entry=stage.entry(**changes))


def on_day(day, hour=9):
    return datetime(2026, 2, day, hour, 0)


def test_nothing_logged_is_empty_figures_and_no_rate(stage):
    found = figures(stage)[stage.owner.pk, stage.procedure.pk]
    assert found.window("year").trials == 0
    assert found.last_volume_day is None


def test_the_figures_are_those_of_the_entries(stage):
    for day in range(1, 4):
        log(stage, performed=on_day(day))
    log(stage, performed=on_day(5), attempts=(FAILED, WORKED), events=("needlestick",))
    last = log(stage, performed=on_day(6), attempts=(FAILED,))
    found = figures(stage)[stage.owner.pk, stage.procedure.pk]
    assert (found.window("year").trials, found.window("year").successes) == (5, 3)
    assert (found.failures_running, found.run[-1].uuid) == (2, last.uuid)
    assert [each.punctures for each in found.attempts] == [2]
    assert found.drift.steps == 5
    assert found.last_volume_day == date(2026, 2, 6)


def test_an_ask_of_another_day_or_person_is_the_callers_mistake(stage):
    key = (stage.owner.pk, stage.procedure.pk)
    with pytest.raises(ValueError, match="is for 2026-03-02, not for 2026-03-01"):
        measures([stage.owner.pk], asks={key: ask()}, on=date(2026, 3, 1))
    with pytest.raises(ValueError, match="not among the clinicians"):
        measures([], asks={key: ask()}, on=DAY)


def test_measuring_twenty_costs_as_many_queries_as_one(stage):
    others = [make_clinician(stage.ward) for _ in range(20)]
    for each in others:
        record_insertion(
            actor=each.user, entry=entry_for(each, stage.ward, stage.supervisor, attempts=(FAILED, FAILED))
        )

    def queries(clinicians, known=None):
        with CaptureQueriesContext(connection) as caught:
            assert all(each.attempts for each in figures(stage, clinicians=clinicians, known=known).values())
        return len(caught)

    assert queries(others) == queries(others[:1]) == 2
    head = acts.head()
    assert queries(others, head) == queries(others[:1], head)


def test_a_late_entry_takes_its_place_in_the_path_and_not_at_its_end(stage):
    log(stage, performed=on_day(10), attempts=(FAILED,))
    log(stage, performed=on_day(20))
    log(stage, performed=on_day(5), attempts=(FAILED,))
    found = figures(stage)[stage.owner.pk, stage.procedure.pk]
    assert found.failures_running == 0
    assert [row.success for row in rows_of([stage.owner.pk], on=DAY)] == [0, 0, 1]


def test_the_narrow_table_answers_from_its_covering_index_alone(stage):
    log(stage)
    rows = Outcome.objects.filter(clinician__in=[stage.owner.pk]).order_by("clinician", "procedure", "time", "tie")
    if connection.vendor == "postgresql":
        # So small a table would be read whole.
        with connection.cursor() as cursor:
            cursor.execute("SET LOCAL enable_seqscan = off; SET LOCAL enable_bitmapscan = off")
    plan = rows.values_list(*Row._fields).explain()
    only = {"sqlite": "COVERING INDEX audits_outcome_path", "postgresql": "Index Only Scan using audits_outcome_path"}
    assert only[connection.vendor] in plan
    assert "Sort" not in plan
    assert "TEMP B-TREE" not in plan


# --- a dispute's time limit passes without an act ---


def test_a_dispute_about_who_returns_to_safety_on_its_fourteenth_day(stage):
    logged = log(stage, performed=on_day(25), attempts=(FAILED, FAILED))
    open_dispute(actor=stage.owner.user, insertion=logged, about="who", reason="I was on leave.")
    dispute = Dispute.objects.get()
    assert (dispute.opened_on, dispute.limit_on) == (DAY, DAY + timedelta(days=14))
    for known in (None, acts.head()):
        for on, trials, who in ((13, 0, True), (14, 1, False)):
            found = figures(stage, on=DAY + timedelta(days=on), known=known)[stage.owner.pk, stage.procedure.pk]
            assert found.window("year").trials == trials
            assert [each.who_disputed for each in found.attempts] == [who]
            assert found.credit("award").attempted == (0,) * 6


def test_the_time_limit_of_a_dispute_is_local(stage):
    SettingFactory(unit=stage.cast.wards.hospital, name="dispute_days", plain=3)
    logged = log(stage)
    assert open_dispute(
        actor=stage.owner.user, insertion=logged, about="who", reason="I was on leave."
    ).limit_on == DAY + timedelta(days=3)


@pytest.mark.parametrize("about", ["who", "result", "statement"])
@pytest.mark.parametrize("who", ["owner", "supervisor", "educator", "colleague", "manager", "outsider"])
def test_who_may_dispute_what(stage, about, who):
    logged = log(stage)
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    may = who in ("owner", "educator") or (who, about) == ("supervisor", "statement")
    user = stage.cast.users()[who]
    if may:
        dispute = open_dispute(actor=user, insertion=logged, about=about, reason="It was otherwise.")
        with pytest.raises(AlreadyDecided, match="disputed"):
            open_dispute(actor=stage.cast.educator, insertion=logged, about="result", reason="This too.")
        with pytest.raises(NotPermitted):
            take_back(actor=stage.cast.manager, dispute=dispute)
        return
    with pytest.raises(NotPermitted):
        open_dispute(actor=user, insertion=logged, about=about, reason="It was otherwise.")


def test_a_dispute_needs_a_reason_and_a_statement_to_dispute(stage):
    logged = log(stage)
    for about, reason in (("result", ""), ("result", "MRN 1234567 says so"), ("statement", "It is wrong.")):
        with pytest.raises(Problems):
            open_dispute(actor=stage.owner.user, insertion=logged, about=about, reason=reason)
    with pytest.raises(ValueError, match="about"):
        open_dispute(actor=stage.owner.user, insertion=logged, about="mood", reason="Bad.")


# --- known then ---


def test_what_was_known_then_stays_as_it_was(stage):
    logged = log(stage, performed=on_day(20))
    then = acts.head()
    answer = figures(stage, known=then)
    countersign(signer=confirmed(stage.supervisor, logged.digest), insertion=logged, nearness="in_room")
    log(stage, performed=on_day(21), attempts=(FAILED,))
    proposal = correct(
        actor=stage.owner.user, insertion=logged, entry=replace(entry_of(logged), attempts=(FAILED,)), reason="So."
    )
    decide(
        signer=confirmed(stage.supervisor, digest_of_proposal(proposal)),
        proposal=proposal,
        agree=True,
        nearness="in_room",
    )
    assert figures(stage, known=then) == answer
    assert figures(stage, known=acts.head()) == figures(stage)
    assert figures(stage) != answer


class Walk:
    """A stage, and every write about entries done at random; what cannot be done just then is passed over."""

    def __init__(self, choose):
        self.choose = choose
        self.stage = make_stage()
        self.clinicians = [self.stage.owner, self.stage.cast.colleague]

    def step(self):
        verb = self.choose.choice(
            ["log"] * 8 + ["sign"] * 6 + ["decide"] * 6 + ["withdraw"] * 3 + ["back", "deny", "accept", "correct"] * 2
            + ["dispute", "undispute", "restrict", "unrestrict"] * 2 + ["end_award", "end_appointment"]
        )  # fmt: skip
        with suppress(AlreadyDecided, NotPermitted, Problems):
            getattr(self, verb)()

    def pick(self, rows):
        found = list(rows.order_by("pk"))
        return self.choose.choice(found) if found else None

    def log(self):
        who = self.choose.choice(self.clinicians)
        attempts = self.choose.choice([(WORKED,), (FAILED, WORKED), (FAILED,), (FAILED, FAILED)])
        entry = entry_for(
            who, self.stage.ward, self.stage.supervisor,
            uuid=UUID(int=self.choose.getrandbits(128), version=4),
            performed=datetime(2026, 2, self.choose.randint(1, 28), self.choose.randint(0, 23), 0),
            attempts=attempts,
            events=self.choose.choice([(), (), ("needlestick",)]),
            others_before=self.choose.choice([0, 0, 1]),
            simulation=self.choose.random() < 0.1,
        )  # fmt: skip
        record_insertion(actor=who.user, entry=entry)

    def sign(self):
        if found := self.pick(Insertion.objects.known()):
            signer = confirmed(self.stage.supervisor, found.digest)
            countersign(signer=signer, insertion=found, nearness=self.choose.choice(["in_room", "nearby"]))

    def back(self):
        if found := self.pick(Insertion.objects.known()):
            send_back(signer=confirmed(self.stage.supervisor, found.digest), insertion=found, note="Mend it.")

    def deny(self):
        if found := self.pick(Insertion.objects.known()):
            not_me(signer=confirmed(self.stage.supervisor, found.digest), insertion=found)

    def accept(self):
        if found := self.pick(Insertion.objects.known()):
            signer = confirmed(self.stage.cast.educator, found.digest)
            accept_on_other_evidence(signer=signer, insertion=found, note="Ward book")

    def correct(self):
        if found := self.pick(Insertion.objects.known()):
            other = self.choose.choice(self.clinicians)
            changes = self.choose.choice(
                [{"comment": f"No. {self.choose.randint(1, 9)}"}, {"attempts": (FAILED,)}, {"clinician": other.uuid}]
            )
            entry = replace(entry_of(found), **changes)
            correct(actor=found.clinician_user, insertion=found, entry=entry, reason="It was otherwise.")

    def withdraw(self):
        if found := self.pick(Insertion.objects.known()):
            propose_withdrawal(actor=found.clinician_user, insertion=found, reason="Entered twice.")

    def decide(self):
        if found := self.pick(Proposal.objects.known()):
            user, how = self.choose.choice(
                [(self.stage.supervisor, {"nearness": "in_room"}), (self.stage.cast.educator, {"note": "Ward book"})]
            )
            signer = confirmed(user, digest_of_proposal(found))
            decide(signer=signer, proposal=found, agree=self.choose.random() < 0.8, **how)

    def dispute(self):
        if found := self.pick(Insertion.objects.known()):
            about = self.choose.choice(Dispute.About.values)
            open_dispute(actor=self.stage.cast.educator, insertion=found, about=about, reason="It was otherwise.")

    def undispute(self):
        if found := self.pick(Dispute.objects.known()):
            take_back(actor=found.by, dispute=found)

    def restrict(self):
        day = date(2026, 2, self.choose.randint(1, 28))
        with recording(actor=None, kind="award.made") as rec:
            new = NewRestriction(
                clinician=self.stage.holder,
                procedure=None,
                kind="suspension",
                answer="no",
                from_day=day,
                until_day=day + timedelta(days=5),
                basis="{}",
            )
            add_restriction(rec, new)

    def unrestrict(self):
        if found := self.pick(Restriction.objects.known()):
            with recording(actor=None, kind="award.made") as rec:
                end_restriction(rec, found, found.from_day)

    def end_award(self):
        if found := self.pick(Award.objects.known()):
            with recording(actor=None, kind="award.made") as rec:
                end_award(rec, found, date(2026, 2, self.choose.randint(1, 28)))

    def end_appointment(self):
        found = self.pick(Appointment.objects.known().filter(user=self.stage.supervisor))
        if found:
            day = date(2026, 2, self.choose.randint(1, 28))
            end_appointment(actor=self.stage.cast.administrator, appointment=found, until_day=day)

    def figures(self, known=None):
        later = DAY + timedelta(days=20)
        return [
            figures(self.stage, clinicians=self.clinicians, on=on, known=known) for on in (date(2026, 2, 15), later)
        ]


def rolled_back():
    """A transaction that the ledger takes for a test's own, so that acts inside it are apart."""
    block = transaction.atomic()
    block._from_testcase = True
    return block


@pytest.mark.django_db
@settings(
    max_examples=6,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(seed=st.integers(0, 2**32))
def test_through_every_write_the_table_is_what_the_evidence_gives_and_the_past_stays(now, seed):
    with rolled_back():
        walk = Walk(random.Random(seed))
        answers = {}
        for _ in range(30):
            walk.step()
            assert wrong() == []
            head = acts.head()
            answers[head] = walk.figures()
            assert walk.figures(known=head) == answers[head]
        for known, answer in answers.items():
            assert walk.figures(known=known) == answer
        assert not list(altered())
        transaction.set_rollback(True)


@pytest.mark.django_db
def test_the_walk_reaches_every_kind_of_record(now):
    """So that the property above is about something."""
    reached = set()
    for seed in range(6):
        with rolled_back():
            walk = Walk(random.Random(seed))
            for _ in range(80):
                walk.step()
            reached |= set(Statement.objects.values_list("kind", flat=True))
            reached |= set(Dispute.objects.values_list("about", flat=True))
            reached |= {("withdrawn", each) for each in Insertion.objects.values_list("withdrawn", flat=True)}
            reached |= {("in_question", each) for each in Outcome.objects.values_list("in_question", flat=True)}
            reached |= {("agreed", each) for each in Proposal.objects.values_list("agreed", flat=True)}
            transaction.set_rollback(True)
    assert reached >= {*Statement.Kind.values, *Dispute.About.values, ("withdrawn", True), ("in_question", 1)}
    assert reached >= {("agreed", True), ("agreed", False)}


@pytest.mark.django_db
@settings(max_examples=10, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.permutations(range(6)))
def test_the_order_in_which_entries_arrive_changes_nothing(now, order):
    attempts = [(WORKED,), (FAILED,), (FAILED, WORKED), (WORKED,), (FAILED,), (WORKED,)]
    # Two at the same minute: their place in the path follows from their UUIDs.
    days = [3, 5, 5, 8, 9, 10]

    def told(sequence):
        with rolled_back():
            stage = make_stage()
            for n in sequence:
                log(stage, uuid=UUID(int=1000 + n), performed=on_day(days[n]), attempts=attempts[n])
            (found,) = figures(stage).values()
            transaction.set_rollback(True)
        run = [fact.uuid for fact in found.run]
        return found.windows, found.drift and replace(found.drift, crossed=None), run, found.failures_running

    assert told(order) == told(range(6))


def test_an_entry_of_tomorrow_elsewhere_is_counted_from_its_own_day(stage):
    with clock.at(NOW + timedelta(days=1)):
        log(stage, performed=datetime(2026, 3, 3, 0, 5))
    (found,) = figures(stage).values()
    assert (found.window("year").volume, found.next_row_on) == (0, date(2026, 3, 3))
