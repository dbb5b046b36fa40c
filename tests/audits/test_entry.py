# ruff: noqa: DTZ001 - an entry's time is the unit's own
"""An entry in itself: what its sender must say, what cannot be, and that it comes back from plain data unchanged."""

from dataclasses import replace
from datetime import UTC, datetime
from uuid import UUID, uuid4

import pytest
from hypothesis import given
from hypothesis import strategies as st

from audits import vocabulary as words
from audits.entry import AttemptMade, Difficulty, Entry, entry_from, problems, sent
from audits.models import Result
from ledger.canonical import canonical

WORKED = AttemptMade(site="forearm", gauge=20, result="working")
FAILED = AttemptMade(site="hand", gauge=22, result="failed", reason="through")
ROUTINE = Entry(
    uuid=UUID(int=1),
    clinician=UUID(int=2),
    unit=UUID(int=3),
    band="adult",
    performed=datetime(2026, 3, 2, 12, 0),
    attempts=(WORKED,),
    events=(),
    supervisor=UUID(int=4),
    nearness="in_room",
)


def fields(entry, **kwargs):
    return [each.field for each in problems(entry, **kwargs)]


def test_a_routine_entry_has_nothing_to_mend():
    assert problems(ROUTINE) == []


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"events": None}, "events"),
        ({"events": ("needlestick", "needlestick")}, "events"),
        ({"events": ("sneeze",)}, "events"),
        ({"nearness": ""}, "nearness"),
        ({"nearness": "upstairs"}, "nearness"),
        ({"supervisor": None}, "supervisor"),
        ({"emergency": True}, "emergency"),
        ({"emergency": True, "simulation": True, "supervisor": None, "nearness": ""}, "emergency"),
        ({"band": "teenager"}, "band"),
        ({"attempts": ()}, "not_attempted"),
        ({"attempts": (), "not_attempted": "through"}, "not_attempted"),
        ({"not_attempted": "no_vein"}, "not_attempted"),
        ({"technique": "ultrasound"}, "technique"),
        ({"technique": "magic"}, "technique"),
        ({"attempts": (WORKED, WORKED)}, "attempts.0.result"),
        ({"attempts": (replace(FAILED, result="taken_over"), WORKED)}, "attempts.0.result"),
        ({"attempts": (replace(WORKED, site="ear"),)}, "attempts.0.site"),
        ({"attempts": (replace(WORKED, site=""),)}, "attempts.0.site"),
        ({"attempts": (FAILED, replace(WORKED, gauge=19))}, "attempts.1.gauge"),
        ({"attempts": (replace(WORKED, gauge=words.NOT_RECORDED),)}, "attempts.0.gauge"),
        ({"attempts": (replace(WORKED, side="middle"),)}, "attempts.0.side"),
        ({"attempts": (replace(WORKED, reason="through"),)}, "attempts.0.reason"),
        ({"attempts": (replace(FAILED, result="stopped", reason=""),)}, "attempts.0.reason"),
        ({"attempts": (replace(FAILED, result="perhaps"),)}, "attempts.0.result"),
        ({"attempts": (FAILED,) * 21}, "attempts"),
        ({"others_before": -1}, "others_before"),
        ({"others_before": 21}, "others_before"),
        ({"help_called": "mum"}, "help_called"),
        ({"difficulty": Difficulty(scale="adult_five", score=6, scored="before")}, "difficulty"),
        ({"difficulty": Difficulty(scale="guess", score=0, scored="before")}, "difficulty"),
        ({"difficulty": Difficulty(scale="judged", score=1, scored="")}, "difficulty"),
        ({"comment": "x" * 501}, "comment"),
        ({"performed": datetime(1926, 3, 2, 12, 0)}, "performed"),
    ],
)
def test_each_mistake_is_said_beside_its_field(change, field):
    assert fields(replace(ROUTINE, **change)) == [field]


@pytest.mark.std("B-40")
@pytest.mark.parametrize("comment", ["MRN 1234567, easy vein", "Mrs Whitlock was calm", "dob 3/4/1951"])
def test_a_comment_that_may_tell_who_the_patient_is_is_refused_without_repeating_it(comment):
    (found,) = problems(replace(ROUTINE, comment=comment))
    assert found.field == "comment"
    assert not any(word in found.text for word in ("1234567", "Whitlock", "1951"))


@pytest.mark.std("B-40")
def test_a_comment_about_the_work_passes():
    assert (
        problems(replace(ROUTINE, comment="20 G, second puncture 3 cm above; flushed with 10 mL. Supervisor prompted."))
        == []
    )


def test_a_sheet_may_leave_out_what_a_form_asks_for():
    bare = replace(
        ROUTINE, attempts=(AttemptMade(site="", gauge=0, result="stopped"),), events=None, nearness="", time_known=False
    )
    assert problems(bare, from_sheet=True) == []
    assert fields(bare) == ["attempts.0.site", "attempts.0.gauge", "attempts.0.reason", "nearness", "events"]
    assert problems(replace(ROUTINE, attempts=()), from_sheet=True) == []


def test_a_time_with_a_zone_and_a_strange_fold_are_the_callers_mistakes():
    with pytest.raises(ValueError, match="has a zone"):
        problems(replace(ROUTINE, performed=datetime(2026, 3, 2, tzinfo=UTC)))
    with pytest.raises(ValueError, match="fold 2"):
        problems(replace(ROUTINE, fold=2))


@pytest.mark.parametrize(
    ("attempts", "result", "taken_over"),
    [
        ((), Result.NO_ATTEMPT, False),
        ((WORKED,), Result.FIRST_TIME, False),
        ((FAILED, WORKED), Result.NOT_FIRST, False),
        ((FAILED,), Result.NOT_FIRST, False),
        ((replace(FAILED, result="stopped"),), Result.NOT_FIRST, False),
        ((replace(FAILED, result="taken_over"),), Result.NOT_FIRST, True),
    ],
)
def test_the_result_follows_from_the_attempts(attempts, result, taken_over):
    entry = replace(ROUTINE, attempts=attempts)
    assert entry.result == result
    assert entry.taken_over == taken_over


@pytest.mark.parametrize(
    ("technique", "expected"),
    [("landmark", "landmark"), ("infrared", "landmark"), ("through_light", "landmark"), ("ultrasound", "ultrasound")],
)
def test_the_procedure_is_band_and_technique_of_the_first_attempt(technique, expected):
    first = replace(FAILED, technique=technique)
    later = replace(WORKED, technique="landmark")
    assert replace(ROUTINE, band="child", technique=technique, attempts=(first, later)).procedure == ("child", expected)
    assert replace(ROUTINE, technique=technique, attempts=(), not_attempted="no_vein").procedure == ("adult", expected)


@pytest.mark.parametrize(("score", "difficult"), [(3, ""), (4, "before")])
def test_access_is_difficult_from_the_scales_own_point(score, difficult):
    assert (
        replace(ROUTINE, difficulty=Difficulty(scale="adult_five", score=score, scored="before")).difficult == difficult
    )


def codes(terms):
    return st.sampled_from(["", *terms])


ATTEMPTS = st.builds(
    AttemptMade,
    site=codes(words.SITES),
    gauge=st.sampled_from([0, *words.GAUGES]),
    result=codes(words.ATTEMPT_RESULTS),
    side=codes(words.SIDES),
    technique=codes(words.TECHNIQUES),
    reason=codes(words.REASONS),
)
ENTRIES = st.builds(
    Entry,
    uuid=st.uuids(),
    clinician=st.uuids(),
    unit=st.uuids(),
    band=codes(words.BANDS),
    performed=st.datetimes(),
    attempts=st.lists(ATTEMPTS, max_size=4).map(tuple),
    events=st.none()
    | st.lists(st.sampled_from(sorted(words.EVENTS)), unique=True).map(lambda codes: tuple(sorted(codes))),
    not_attempted=codes(words.REASONS),
    technique=codes(words.TECHNIQUES),
    supervisor=st.none() | st.uuids(),
    nearness=st.sampled_from(["", "in_room", "nearby"]),
    emergency=st.booleans(),
    simulation=st.booleans(),
    time_known=st.booleans(),
    fold=st.sampled_from([None, 0, 1]),
    occasion=st.text(max_size=8),
    others_before=st.integers(0, 20),
    difficulty=st.none()
    | st.builds(Difficulty, scale=codes(words.SCALES), score=st.integers(0, 10), scored=codes(words.SCORED)),
    help_called=codes(words.HELP),
    comment=st.text(max_size=40),
)


@given(ENTRIES)
def test_an_entry_comes_back_from_plain_data_unchanged(entry):
    assert entry_from(entry.uuid, sent(entry)) == entry
    assert canonical(sent(entry)) == canonical(sent(entry_from(entry.uuid, sent(entry))))


@given(ENTRIES, st.booleans())
def test_whatever_is_sent_gets_an_answer(entry, from_sheet):
    for found in problems(replace(entry, uuid=uuid4()), from_sheet=from_sheet):
        assert found.field
        assert found.text.endswith(".")
