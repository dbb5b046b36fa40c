"""The four answers, the statuses, and their words."""

import pytest

from credentials.rules.answers import Answer, Status, strictest


def test_the_answers_are_ordered_from_not_at_all_to_alone():
    assert Answer.NO < Answer.IN_ROOM < Answer.NEARBY < Answer.ALONE
    assert sorted([Answer.ALONE, Answer.NO, Answer.NEARBY, Answer.IN_ROOM], key=lambda answer: answer.rank) == list(
        Answer
    )
    assert Answer.NEARBY >= Answer.NEARBY > Answer.IN_ROOM
    assert Answer.NO <= Answer.NO


def test_the_strictest_answer_is_the_least_that_anything_allows():
    assert strictest([Answer.ALONE, Answer.NEARBY, Answer.IN_ROOM]) is Answer.IN_ROOM
    assert strictest([Answer.ALONE]) is Answer.ALONE
    assert strictest(iter([Answer.NO, Answer.ALONE])) is Answer.NO


def test_the_strictest_of_nothing_is_refused():
    with pytest.raises(ValueError, match="no answers"):
        strictest([])


def test_the_words_in_code_and_on_screens_are_those_of_the_product():
    assert [answer.value for answer in Answer] == ["no", "in_room", "nearby", "alone"]
    assert [answer.words for answer in Answer] == [
        "not on patients", "with a supervisor in the room", "with a supervisor nearby", "alone",
    ]  # fmt: skip
    assert all(answer.explained.endswith(".") for answer in Answer)


def test_the_statuses_are_those_of_the_product_in_the_order_of_precedence():
    assert " ".join(Status) == (
        "no_placement stood_down suspended withdrawn provisional due current in_grace by_role lapsed ready_for_award "
        "in_training not_enrolled"
    )
    assert [status for status in Status if status.is_held] == ["provisional", "due", "current"]
    assert Status.READY_FOR_AWARD.words == "ready for award"
