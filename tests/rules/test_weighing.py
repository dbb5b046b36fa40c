"""What counts and why not, piece by piece: the sum is what progress says, whatever the evidence."""

from dataclasses import replace
from datetime import timedelta

from hypothesis import given
from hypothesis import strategies as st

from audits.checklist import Setting
from audits.figures import Credit, fold
from credentials.rules import progress
from credentials.rules.asking import ask_for
from credentials.rules.facts import Observation, Recognised, RestrictionKind, Tallied
from credentials.rules.pieces import BEFORE_LEARNING, BEFORE_WITHDRAWAL, IN_QUESTION, TO_COME, Entered
from credentials.rules.progress import towards_award
from credentials.rules.terms import Terms
from credentials.rules.weighing import Evidence, on_plan, towards_renewal
from credentials.rules.weighing import towards_award as weigh
from tests.rules.builders import (
    ON,
    a_completion,
    a_restriction,
    a_row,
    an_award,
    an_enrolment,
    some_facts,
)

A_DAY = timedelta(days=1)
FIRST = ON - 20 * A_DAY
OTHER = 7
NAMES = {"OTHER": (OTHER, "Another way in")}

some_days = st.integers(-4, 24).map(lambda place: FIRST + place * A_DAY)


def an_entry(day, credit, by, question=0, success=1, volume=1, procedure=1):
    row = a_row(
        day, credit=credit, supervisor=by, in_question=question, success=success, volume=volume, procedure=procedure
    )
    return Entered(row, credit == Credit.SIMULATION, "not countersigned yet", "" if volume else "withdrawn")


some_entries = st.lists(
    st.builds(an_entry, some_days, st.integers(0, 5), st.integers(0, 3), *[st.integers(0, 1)] * 3), max_size=12
)
lent_entries = st.lists(
    st.builds(an_entry, some_days, st.integers(0, 5), st.integers(0, 3), procedure=st.just(OTHER)), max_size=8
)
some_terms = st.builds(
    Terms,
    entry_theory=st.just(9),
    entry_policy=st.just(9),
    insertions=st.just(50),
    successes=st.integers(0, 3),
    simulation=st.just(50),
    observations=st.integers(1, 4),
    observation_assessors=st.integers(0, 4),
    observation_not_main=st.booleans(),
    nearby_counts=st.booleans(),
    other_evidence_cap=st.integers(0, 3),
    paper_cap=st.integers(0, 3),
    counts_from=st.just(("OTHER",)),
    counts_from_cap=st.integers(1, 4),
    renewal_observations=st.integers(1, 4),
    renewal_months=st.just(1),
)
some_observations = st.lists(
    st.builds(
        Observation,
        uuid=st.uuids().map(str),
        day=some_days,
        assessor=st.integers(1, 4),
        for_decision=st.integers(0, 4).map(bool),
        setting=st.sampled_from([Setting.PATIENT] * 4 + list(Setting)),
        verdict=st.sampled_from(["met", "partly", "partly", "not_yet"]),
        disputed=st.integers(0, 4).map(lambda dice: not dice),
    ),
    max_size=8,
).map(lambda seen: tuple(sorted(seen, key=lambda each: each.day)))
some_completions = st.lists(
    st.builds(
        lambda kind, day, lasts: a_completion(kind, day, day + lasts * A_DAY if lasts else None),
        st.sampled_from(["knowledge", "simulation", "theory", "policy"]),
        some_days,
        st.integers(0, 30),
    ),
    max_size=8,
).map(tuple)
some_recognised = st.lists(
    st.builds(Recognised, uuid=st.uuids().map(str), day=some_days, insertions=st.integers(1, 4)), max_size=3
).map(tuple)
some_tallies = st.lists(st.builds(Tallied, some_days, st.integers(1, 9)), max_size=4).map(tuple)


def evidence(facts, own=(), lent=()):
    """The figures that answer the rules' own ask, with the rows that they were made of."""
    rows = sorted((each.row for each in own), key=lambda row: (row.time, row.tie))
    figures = fold(1, 1, rows, ask_for(facts, ON), lent=[each.row for each in lent])
    return Evidence(facts, figures, own, lent)


def holds(weighed):
    for line, pieces in weighed:
        assert sum(piece.counts for piece in pieces) == line.have, (line, pieces)
        assert all(piece.why for piece in pieces if not piece.counts)
        assert not any(piece.counts for piece in pieces if piece.outside)
        assert [piece.day for piece in pieces] == sorted(piece.day for piece in pieces)


@given(
    own=some_entries,
    lent=lent_entries,
    terms=some_terms,
    seen=some_observations,
    done=some_completions,
    brought=some_recognised,
    withdrawn=st.none() | st.integers(-3, -1),
)
def test_the_pieces_towards_an_award_come_to_what_its_lines_have(own, lent, terms, seen, done, brought, withdrawn):
    limits = [] if withdrawn is None else [FIRST + withdrawn * A_DAY]
    facts = some_facts(
        enrolments=(an_enrolment(starts=FIRST, terms=terms),),
        observations=seen,
        completions=done,
        recognised=brought,
        counted_from=NAMES,
        restrictions=tuple(a_restriction(RestrictionKind.WITHDRAWAL, starts=day) for day in limits),
    )
    of = evidence(facts, own, lent)
    entry, award = weigh(of, facts.enrolments[0], ON)
    lines = towards_award(facts, of.figures, facts.enrolments[0], ON)
    assert (tuple(each.line for each in entry), tuple(each.line for each in award)) == (lines.entry, lines.award)
    holds([*entry, *award])
    # Nothing is left out of the list of what is asked for first.
    found = next(each.pieces for each in award if each.line.label == progress.INSERTIONS)
    with_patients = sum(not each.simulation for each in [*own, *lent])
    assert len(found) == with_patients + len(brought)


@given(own=some_entries, terms=some_terms, seen=some_observations, tallies=some_tallies)
def test_the_pieces_towards_renewal_come_to_what_its_lines_have(own, terms, seen, tallies):
    award = an_award(starts=ON - 400 * A_DAY, terms=terms)
    facts = some_facts(awards=(award,), observations=seen, tallies=tallies)
    of = evidence(facts, own)
    found = towards_renewal(of, award, ON)
    assert [each.line for each in found] == list(progress.towards_renewal(facts, of.figures, award, ON))
    holds(found)
    assert len(found[0].pieces) == len(own) + len(tallies)


@given(own=some_entries, terms=st.none() | some_terms, seen=some_observations)
def test_the_pieces_towards_a_plan_come_to_what_its_lines_have(own, terms, seen):
    plan = a_restriction(RestrictionKind.PLAN, starts=FIRST, insertions=4, observations=3)
    facts = some_facts(restrictions=(plan,), observations=seen)
    of = evidence(facts, own)
    found = on_plan(of, plan, terms, ON)
    assert [each.line for each in found] == list(progress.on_plan(facts, of.figures, plan, terms, ON))
    holds(found)


def told(label, own=(), lent=(), *, seen=(), done=(), brought=(), limits=(), **asked):
    """(counts, why) of each piece of that line, in order of time."""
    facts = some_facts(
        enrolments=(an_enrolment(starts=FIRST, terms=Terms(**asked)),),
        observations=tuple(seen),
        completions=tuple(done),
        recognised=tuple(brought),
        restrictions=tuple(limits),
        counted_from=NAMES,
    )
    found = weigh(evidence(facts, own, lent), facts.enrolments[0], ON)
    pieces = next(each.pieces for part in found for each in part if each.line.label == label)
    return [(piece.counts, piece.why) for piece in pieces]


def test_each_entry_that_does_not_count_says_why():
    own = [
        an_entry(FIRST - A_DAY, Credit.IN_ROOM, 1),
        an_entry(FIRST, Credit.IN_ROOM, 1),
        an_entry(FIRST + A_DAY, Credit.NEARBY, 1),
        an_entry(FIRST + 2 * A_DAY, Credit.IN_ROOM, 1, 1),
        an_entry(FIRST + 3 * A_DAY, Credit.NONE, 1),
        an_entry(ON + A_DAY, Credit.IN_ROOM, 1),
    ]
    assert told(progress.INSERTIONS, own) == [
        (0, BEFORE_LEARNING),
        (1, ""),
        (0, "countersigned ‘nearby’, which does not count here"),
        (1, IN_QUESTION),
        (0, "not countersigned yet"),
        (0, TO_COME),
    ]
    withdrawal = a_restriction(RestrictionKind.WITHDRAWAL, starts=FIRST - A_DAY)
    assert told(progress.INSERTIONS, own, limits=[withdrawal])[0] == (0, BEFORE_WITHDRAWAL)


def test_the_first_in_time_count_within_a_cap():
    papers = [an_entry(FIRST + day * A_DAY, Credit.PAPER, 0) for day in (2, 0, 1)]
    beyond = (0, "from paper, more than the 2 that count")
    assert told(progress.INSERTIONS, papers, paper_cap=2) == [(1, "from paper"), (1, "from paper"), beyond]
    lent = [an_entry(FIRST + day * A_DAY, Credit.IN_ROOM, 1, procedure=OTHER) for day in (2, 0, 1)]
    asked = {"counts_from": ("OTHER",), "counts_from_cap": 2}
    beyond = (0, "more than the 2 that count from other procedures")
    assert told(progress.INSERTIONS, [], lent, **asked) == [(1, ""), (1, ""), beyond]


def test_where_successes_are_asked_what_worked_first_time_is_taken_first_within_a_cap():
    papers = [an_entry(FIRST, Credit.PAPER, 0, success=0), an_entry(FIRST + A_DAY, Credit.PAPER, 0)]
    asked = {"paper_cap": 1, "successes": 1}
    assert [counts for counts, _ in told(progress.INSERTIONS, papers, **asked)] == [0, 1]
    assert told(progress.SUCCESSES, papers, **asked) == [(1, "worked first time")]


def test_a_supervisor_and_a_day_are_counted_once_and_say_with_what():
    own = [an_entry(day, Credit.IN_ROOM, by) for day, by in ((FIRST, 1), (FIRST, 2), (FIRST + A_DAY, 1))]
    first = f"{FIRST.day} {FIRST:%B} {FIRST.year}"
    assert told(progress.SUPERVISORS, own) == [
        (1, "the first"),
        (1, "another supervisor"),
        (0, f"the same supervisor as on {first}"),
    ]
    assert told(progress.DAYS, own) == [(1, "the first"), (0, "the same day as another"), (1, "another day")]


def test_what_is_recognised_takes_the_room_that_other_evidence_leaves():
    own = [an_entry(FIRST, Credit.OTHER_EVIDENCE, 0)]
    brought = [Recognised(uuid="r", day=FIRST + A_DAY, insertions=3)]
    assert told(progress.INSERTIONS, own, brought=brought, other_evidence_cap=2)[1] == (
        1, "3 insertions recognised from elsewhere, 1 counted: other evidence counts up to 2",
    )  # fmt: skip


def test_a_completion_that_ran_out_says_since_when():
    done = [a_completion("knowledge", FIRST, FIRST + 5 * A_DAY), a_completion("knowledge", FIRST + A_DAY)]
    ran_out = FIRST + 5 * A_DAY
    words = f"no longer valid since {ran_out.day} {ran_out:%B} {ran_out.year}"
    assert told(progress.KNOWLEDGE, done=done) == [(0, words), (1, "")]


def seen_by(assessor, place, verdict="met", **more):
    return Observation(uuid=f"o{place}", day=FIRST + place * A_DAY, assessor=assessor, verdict=verdict, **more)


def test_each_observation_that_does_not_count_says_why():
    seen = [
        seen_by(1, 0),
        seen_by(1, 1, "partly"),
        seen_by(1, 2, "partly"),
        seen_by(1, 3, "not_yet"),
        seen_by(1, 4, disputed=True),
        seen_by(1, 5, setting=Setting.SIMULATION),
        seen_by(1, 6, for_decision=False),
    ]
    assert told(progress.OBSERVATIONS, seen=seen, observations=2) == [
        (1, ""),
        (1, "stopped at a missed vein, beside others"),
        (0, "stopped at a missed vein, not counted alone"),
        (0, "not yet met"),
        (0, "disputed, not counted until decided"),
        (0, "in simulation, not with a patient"),
        (0, "for learning, not for a decision"),
    ]


def test_the_same_observations_count_on_every_line_that_asks_by_whom():
    own = [an_entry(FIRST, Credit.IN_ROOM, 1)]
    seen = [seen_by(1, 0), seen_by(1, 1, "partly"), seen_by(2, 2, "partly")]
    asked = {"observations": 2, "observation_assessors": 2, "observation_not_main": True, "seen": seen}
    assert [counts for counts, _ in told(progress.OBSERVATIONS, own, **asked)] == [1, 0, 1]
    assert told(progress.ASSESSORS, own, **asked) == [(1, "the first"), (1, "another assessor")]
    assert told(progress.NOT_MAIN, own, **asked) == [(0, "by the main supervisor"), (1, "by somebody else")]


def test_an_entry_counts_for_nobody_else_on_a_plan_that_began_later():
    plan = a_restriction(RestrictionKind.PLAN, starts=FIRST, insertions=2)
    own = [an_entry(FIRST - A_DAY, Credit.IN_ROOM, 1), an_entry(FIRST, Credit.IN_ROOM, 1)]
    facts = replace(some_facts(), restrictions=(plan,))
    (found,) = on_plan(evidence(facts, own), plan, None, ON)
    assert [(piece.counts, piece.why) for piece in found.pieces] == [(0, "from before the plan"), (1, "")]
