"""Every verb that writes, in any order, over days and months: what is derived follows from the evidence all the way.

Hypothesis chooses the verbs and, by a seed for each, what they are done to; `world.Walk` does them, `holding_true` says
what must hold. Examples share one world and roll back to it.
"""

import random
from collections import Counter

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from audits.models import Award, Dispute, Insertion, Observation, Outcome, Proposal, Recognition, Statement
from credentials.models import Flag, Standing
from credentials.rules.answers import Status
from ledger import clock
from ledger.models import Act
from people import stale
from tests.whole import holding_true
from tests.whole.test_attested import KINDS
from tests.whole.world import BEGUN, VERBS, Walk, World, make_world, rolled_back

pytestmark = pytest.mark.django_db

# Verbs on which the others feed come more often: an award needs entries, entries need time.
OFTEN = {"log_and_sign": 4, "log": 2, "time_passes": 3, "answer": 3, "observe": 2}
EXAMPLES, STEPS, WALKS = 12, 35, 5
INSISTS = 12  # times that a verb which nothing was found for is tried again at the end of a walk
# What chance alone comes to too rarely.
LAST = (
    *("log_and_sign", "open_dispute") * 6, *("propose_withdrawal", "decide_proposal", "decide_proposal") * 6, "move",
    *("award", "renew") * 3, *("log_and_sign", "end_appointment") * 6, "reconsider", "reconsider",
    "review", *("award", "renew") * 4,
    *("propose", "approve") * 4, *("log_and_sign", "open_dispute", "rule") * 3,
    *("observe", "dispute_observation", "rule_observed") * 3, *("suspend", "open_plan", "end_limit", "end_limit") * 3,
    *("open_cohort", "join_cohort", "leave_cohort", "take_over") * 3,
    "review", *("refer", "plan_from_flag", "complete_plan", "end_referral") * 2,
    *("observe", "ask_second") * 3, *("sign_return", "sign_return") * 2,
    *("retire_checklist", "decide_retirement", "decide_retirement") * 3,
    *("note_policy", "change_policy", "end_policy") * 2,
    *("keep_tallies", "tally", "tally", "tally_again") * 3, *("begin_observation", "sign_observation") * 3,
    *("begin_observation", "drop_observation") * 3,
    *("certify", "certify", "revoke_certificate", "take_evidence") * 3,
    *("extend_award", "recognise", "recognise", "move_enrolment", "withdraw_recognition") * 3,
    *("import_completions", "withdraw_completion") * 2,
)  # fmt: skip
# `holding_true.the_ledger_holds` asks of each of them in every walk that it says who signed, as what, and why.
SIGNED = {
    "award.extended", "award.made", "award.renewed", "certificate.revoked", "checklist.approved", "checklist.retired",
    "checklist.retirement_decided", "cohort.left", "completions.imported", "correction.decided", "dispute.ruled",
    "enrolment.moved", "flag.closed", "founding.decided", "logbook.imported", "observation.dispute_ruled",
    "observation.signed", "plan.ended", "plan.extended", "plan.made", "policy.changed", "policy.ended",
    "policy.opened", "programme.approved", "recognition.decided", "recognition.withdrawn", "return_plan.ended",
    "return_plan.extended", "return_plan.made", "return_step.signed", "rules.approved", "scope.decided",
    "scope.ended", "staff.imported", "stand_down.ended", "stand_down.made", "statement.signed",
    "statements.reconsidered", "suspension.ended", "suspension.made", "withdrawal.made",
}  # fmt: skip
# Signed too, and not in every few walks.
SELDOM = {"return_plan.ended", "return_plan.extended", "stand_down.ended"}


def machine(world: World) -> type[RuleBasedStateMachine]:
    """A machine over this world with a rule for each verb."""

    class Machine(RuleBasedStateMachine):
        def __init__(self) -> None:
            super().__init__()
            self.block = rolled_back()
            self.block.__enter__()
            self.walk = Walk(world, random.Random(0))
            self.answers = holding_true.Answers()
            self.steps = 0

        def do(self, verb: str, seed: int) -> None:
            self.walk.choose = random.Random(seed)
            self.walk.step(verb)
            self.steps += 1

        @invariant()
        def holds(self) -> None:
            holding_true.a_read_trusts_no_stale_row(self.walk)
            if self.steps % 2:
                self.answers.ask(self.walk)
            if self.steps % 5 == 4:
                holding_true.the_narrow_table_is_what_the_evidence_gives(self.walk)

        def teardown(self) -> None:
            try:
                self.answers.asked_again(self.walk)
                holding_true.standings_are_what_the_evidence_gives(self.walk)
                holding_true.nothing_changes_before_its_day(self.walk)
                holding_true.the_narrow_table_is_made_again_from_nothing(self.walk)
                holding_true.the_ledger_holds(self.walk)
            finally:
                self.block.__exit__(None, None, None)

    def verb_rule(verb: str):
        @rule(seed=st.integers(0, 2**32))
        def step(self: Machine, seed: int) -> None:
            self.do(verb, seed)

        return step

    for verb in VERBS:
        for copy in range(OFTEN.get(verb, 1)):
            setattr(Machine, f"{verb}_{copy}" if copy else verb, verb_rule(verb))
    return Machine


@pytest.fixture
def world(db: None) -> World:
    with clock.at(BEGUN):
        return make_world()


def test_whatever_is_done_in_whatever_order_what_is_derived_follows_from_the_evidence(world):
    run_state_machine_as_test(
        machine(world),
        settings=settings(
            max_examples=EXAMPLES,
            stateful_step_count=STEPS,
            deadline=None,
            derandomize=True,
            database=None,
            print_blob=False,
            suppress_health_check=list(HealthCheck),
        ),
    )


def reached_in(walk: Walk) -> set[str]:
    """What a walk came to: kinds of rows, of acts, of signatures."""
    reached = {f"statement {kind}" for kind in Statement.objects.values_list("kind", flat=True)}
    reached |= {f"dispute {about}" for about in Dispute.objects.values_list("about", flat=True)}
    reached |= {f"source {source}" for source in Insertion.objects.values_list("source", flat=True)}
    reached |= {f"withdrawn {gone}" for gone in Insertion.objects.values_list("withdrawn", flat=True)}
    reached |= {f"agreed {agreed}" for agreed in Proposal.objects.values_list("agreed", flat=True)}
    reached |= {f"in question {asked}" for asked in Outcome.objects.values_list("in_question", flat=True)}
    reached |= {f"award {kind}" for kind in Award.objects.values_list("kind", flat=True)}
    reached |= {f"brought {outcome}" for outcome in Recognition.objects.values_list("outcome", flat=True)}
    reached |= {f"observed {each}" for each in Observation.objects.values_list("verdict", flat=True)}
    reached |= {
        f"second {each}" for each in Observation.objects.exclude(second_of=None).values_list("purpose", flat=True)
    }
    reached |= {f"flag {flag}" for flag in Flag.objects.values_list("rule", flat=True)}
    reached |= {f"status {status}" for status in Standing.objects.values_list("status", flat=True)}
    for act in Act.objects.exclude(kind="test.staged"):
        reached |= {f"act {act.kind}"} | ({f"signed {act.kind}"} if "signature" in act.facts else set())
    return reached


def test_every_kind_that_can_be_signed_is_one_that_the_walk_does():
    assert set(KINDS) == SIGNED


@pytest.mark.std("A-01")
def test_the_walk_comes_to_everything_that_it_is_about(world):
    """So that the property above is about something: that a signature says who, as what and why, too."""
    reached: set[str] = set()
    counted: Counter[str] = Counter()
    verbs = [*VERBS, *(verb for verb, times in OFTEN.items() for _ in range(times))]
    for seed in range(WALKS):
        with rolled_back():
            walk = Walk(world, random.Random(seed))
            for verb in ("fail_again_and_again", *("observe", "rate_second") * 3, *("observe",) * 6, "review"):
                walk.step(verb)
            for place in range(120):
                walk.step(walk.choose.choice(verbs))
                if place % 30 == 29:
                    walk.step("refresh")
                    reached |= reached_in(walk)
            for verb in LAST:
                if verb == "reconsider":  # while what is in question still is
                    reached |= reached_in(walk)
                walk.step(verb)
            for _ in range(INSISTS):
                for verb in VERBS:
                    if not counted[f"{verb} done"] and not walk.counted[f"{verb} done"]:
                        walk.step(verb)
            reached |= reached_in(walk)
        counted += walk.counted

    assert {verb for verb in VERBS if not counted[f"{verb} done"]} == set()
    assert reached >= {f"statement {kind}" for kind in Statement.Kind.values}
    assert reached >= {f"dispute {about}" for about in Dispute.About.values}
    assert reached >= {f"source {source}" for source in Insertion.Source.values}
    assert reached >= {"withdrawn True", "agreed True", "agreed False", "in question 1"}
    assert reached >= {f"award {kind}" for kind in ("award", "renewal", "founding", "recognised")}
    assert reached >= {f"brought {outcome}" for outcome in Recognition.Outcome.values}
    assert reached >= {"observed met", "observed partly", "observed not_yet", "second decision"}
    rules = ("repeated_failure", "recency", "attempts_limit", "serious_event", "critical_step", "observation_overdue")
    assert reached >= {f"flag {flag}" for flag in rules}
    # Each status by itself is in the tables of cases; here they have to come about by what people do.
    wanted = (Status.IN_TRAINING, Status.CURRENT, Status.LAPSED, Status.BY_ROLE)
    assert reached >= {f"status {status.value}" for status in wanted}
    kinds = {each.removeprefix("act ") for each in reached if each.startswith("act ")}
    assert len(kinds) > 30
    assert kinds <= stale.registered()
    signed = {each.removeprefix("signed ") for each in reached if each.startswith("signed ")}
    assert SIGNED - SELDOM <= signed <= SIGNED
