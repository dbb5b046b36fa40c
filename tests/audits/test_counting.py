"""What counts for what: the table of the product page, every state, and what must hold for all of them."""

from dataclasses import replace
from itertools import product

import pytest

from audits.counting import Counts, State, counts, is_success, why_no_credit, why_no_volume
from audits.figures import Credit, Safety
from audits.models import Dispute, Statement

YES, NO, WHO = Safety.YES, Safety.NO, Safety.WHO_DISPUTED

# (state, safety, credit, volume, in_rate, partial, in_question), written row by row from the product page.
TABLE = {
    "simulation, not signed": (State(simulation=True), NO, Credit.NONE, 0, 0, 0, 0),
    "simulation, signed": (State(simulation=True, statement="in_room"), NO, Credit.SIMULATION, 0, 0, 0, 0),
    "simulation, no attempt": (
        State(simulation=True, attempted=False, statement="in_room"), NO, Credit.NONE, 0, 0, 0, 0,
    ),
    "no attempt made": (State(attempted=False), YES, Credit.NONE, 0, 0, 0, 0),
    "no attempt made, signed all the same": (State(attempted=False, statement="in_room"), YES, Credit.NONE, 0, 0, 0, 0),
    "submitted, unsigned": (State(), YES, Credit.NONE, 1, 1, 0, 0),
    "sent back": (State(statement="sent_back"), YES, Credit.NONE, 1, 1, 0, 0),
    "not me": (State(statement="not_me"), YES, Credit.NONE, 1, 1, 0, 0),
    "countersigned, in the room": (State(statement="in_room"), YES, Credit.IN_ROOM, 1, 1, 0, 0),
    "countersigned, nearby": (State(statement="nearby"), YES, Credit.NEARBY, 1, 1, 0, 0),
    "accepted on other evidence": (State(statement="other_evidence"), YES, Credit.OTHER_EVIDENCE, 1, 1, 0, 0),
    "emergency, nobody to supervise": (State(emergency=True), YES, Credit.NONE, 1, 1, 0, 0),
    "emergency, accepted all the same": (
        State(emergency=True, statement="other_evidence"), YES, Credit.NONE, 1, 1, 0, 0,
    ),
    "withdrawn": (State(withdrawn=True), NO, Credit.NONE, 0, 0, 0, 0),
    "withdrawn after a signature": (State(withdrawn=True, statement="in_room"), NO, Credit.NONE, 0, 0, 0, 0),
    "result disputed": (State(statement="in_room", dispute="result"), YES, Credit.NONE, 1, 1, 0, 0),
    "statement disputed": (State(statement="nearby", dispute="statement"), YES, Credit.NONE, 1, 1, 0, 0),
    "result disputed, past its time": (
        State(statement="in_room", dispute="result", overdue=True), YES, Credit.NONE, 1, 1, 0, 0,
    ),
    "who inserted disputed": (State(statement="in_room", dispute="who"), WHO, Credit.NONE, 0, 0, 0, 0),
    "who inserted disputed, past its time": (
        State(statement="in_room", dispute="who", overdue=True), YES, Credit.NONE, 0, 1, 0, 0,
    ),
    "no attempt, who disputed, past its time": (
        State(attempted=False, dispute="who", overdue=True), YES, Credit.NONE, 0, 0, 0, 0,
    ),
    "in question, and it counts all the same": (
        State(statement="in_room", eligible=False, settled="counts"), YES, Credit.IN_ROOM, 1, 1, 0, 0,
    ),
    "in question, and struck": (
        State(statement="in_room", eligible=False, settled="struck"), YES, Credit.NONE, 1, 1, 0, 0,
    ),
    "in the room, found not eligible": (State(statement="in_room", eligible=False), YES, Credit.IN_ROOM, 1, 1, 0, 1),
    "nearby, found not eligible": (State(statement="nearby", eligible=False), YES, Credit.NEARBY, 1, 1, 0, 1),
    "other evidence asks for no eligibility": (
        State(statement="other_evidence", eligible=False), YES, Credit.OTHER_EVIDENCE, 1, 1, 0, 0,
    ),
    "disputed and not eligible": (
        State(statement="in_room", dispute="result", eligible=False), YES, Credit.NONE, 1, 1, 0, 0,
    ),
    # sheets
    "sheet, from the start day on, complete": (State(), YES, Credit.NONE, 1, 1, 0, 0),
    "sheet, complete, countersigned": (State(statement="in_room"), YES, Credit.IN_ROOM, 1, 1, 0, 0),
    "sheet, from the start day on, partial": (State(partial=True), YES, Credit.NONE, 1, 0, 1, 0),
    "sheet, partial, countersigned": (State(partial=True, statement="in_room"), YES, Credit.IN_ROOM, 1, 0, 1, 0),
    "sheet, partial, no attempt": (State(partial=True, attempted=False), YES, Credit.NONE, 0, 0, 1, 0),
    "sheet, partial, who disputed": (State(partial=True, dispute="who"), WHO, Credit.NONE, 0, 0, 1, 0),
    "sheet, partial, who disputed, past its time": (
        State(partial=True, dispute="who", overdue=True), YES, Credit.NONE, 0, 0, 1, 0,
    ),
    "sheet, before the start day": (State(paper=True), NO, Credit.PAPER, 0, 0, 0, 0),
    "sheet, before the start day, no attempt": (State(paper=True, attempted=False), NO, Credit.NONE, 0, 0, 0, 0),
    "sheet, before the start day, disputed": (State(paper=True, dispute="result"), NO, Credit.NONE, 0, 0, 0, 0),
}  # fmt: skip


@pytest.mark.parametrize("name", TABLE)
def test_each_state_counts_as_the_table_says(name):
    state, *expected = TABLE[name]
    assert counts(state) == Counts(*expected)


FLAGS = ("simulation", "attempted", "withdrawn", "emergency", "paper", "partial", "eligible", "overdue")
ALL = [
    State(**dict(zip(FLAGS, values, strict=True)), statement=statement, dispute=dispute)
    for values in product([True, False], repeat=len(FLAGS))
    for statement in ("", *Statement.Kind.values)
    for dispute in ("", *Dispute.About.values)
]


def test_a_failure_cannot_be_hidden_by_not_asking_for_a_signature():
    for state in ALL:
        unsigned = replace(state, statement="")
        assert counts(state).safety == counts(unsigned).safety
        assert counts(state).in_rate == counts(unsigned).in_rate


def test_nothing_is_credited_without_a_signature_but_paper():
    for state in ALL:
        if counts(state).credit not in (Credit.NONE, Credit.PAPER):
            assert state.statement in ("in_room", "nearby", "other_evidence")


def test_only_attempts_on_patients_enter_a_rate():
    for state in ALL:
        if counts(state).in_rate:
            assert state.attempted
            assert not any((state.simulation, state.paper, state.partial, state.withdrawn))
            assert counts(state).safety == YES


def test_a_question_hangs_on_a_credit():
    for state in ALL:
        assert counts(state).in_question <= (counts(state).credit in (Credit.IN_ROOM, Credit.NEARBY))


def test_a_reason_is_given_for_every_state_that_does_not_count_and_for_no_other():
    for state in ALL:
        assert bool(why_no_credit(state)) == (counts(state).credit == Credit.NONE)
        assert bool(why_no_volume(state)) == (not counts(state).volume)


def test_what_keeps_an_entry_from_counting_is_said_as_a_nurse_would():
    signed = State(statement="in_room")
    for state, words in (
        (State(), "not countersigned yet"),
        (State(statement="sent_back"), "sent back by the supervisor, not countersigned"),
        (State(statement="not_me"), "the supervisor named says: not me"),
        (replace(signed, attempted=False), "a no-attempt entry"),
        (replace(signed, withdrawn=True), "withdrawn"),
        (replace(signed, dispute="result"), "disputed, not counted until decided"),
        (replace(signed, emergency=True), "an emergency with nobody to supervise"),
        (signed, ""),
    ):
        assert why_no_credit(state) == words
    assert why_no_credit(State(), named=False) == "no supervisor named, not countersigned"


def test_a_takeover_is_not_a_success():
    assert is_success(first_time=True, taken_over=False)
    assert not is_success(first_time=True, taken_over=True)
    assert not is_success(first_time=False, taken_over=False)
