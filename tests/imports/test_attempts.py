"""How wards write attempts down, and what each way means: a table of cases, and what contradicts itself."""

from typing import Any

import pytest

from audits.logbook_attempts import attempts_told

# result, first_time, attempts -> the results of the punctures
TOLD: list[tuple[dict[str, Any], list[str]]] = [
    ({"result": "working"}, ["working"]),
    ({"result": "working", "attempts": 1}, ["working"]),
    ({"result": "working", "attempts": 3}, ["failed", "failed", "working"]),
    ({"result": "failed"}, ["failed"]),
    ({"result": "failed", "attempts": 2}, ["failed", "failed"]),
    ({"result": "stopped", "attempts": 2}, ["failed", "stopped"]),
    ({"result": "taken_over"}, ["taken_over"]),
    ({"result": "first_time"}, ["working"]),
    ({"result": "later"}, ["failed", "working"]),
    ({"result": "later", "attempts": 3}, ["failed", "failed", "working"]),
    ({"result": "working", "first_time": True}, ["working"]),
    ({"result": "working", "first_time": False}, ["failed", "working"]),
    ({"result": "working", "first_time": False, "attempts": 2}, ["failed", "working"]),
    ({"result": "failed", "first_time": False, "attempts": 2}, ["failed", "failed"]),
    ({"first_time": True}, ["working"]),
    ({"first_time": False}, ["failed"]),
    ({"first_time": False, "attempts": 2}, ["failed", "failed"]),
    ({"result": "no_attempt"}, []),
    ({"attempts": 0}, []),
    # a second and a third beside the first
    ({"result": "failed", "result_2": "working"}, ["failed", "working"]),
    ({"result": "failed", "result_2": "failed", "result_3": "taken_over"}, ["failed", "failed", "taken_over"]),
    ({"result": "working", "gauge_2": 22}, ["failed", "working"]),
    ({"result": "failed", "site_2": ("left", "hand")}, ["failed", "failed"]),
    # a row for each puncture
    ({"result": "failed", "attempt_number": 1}, ["failed"]),
    ({"result": "working", "attempt_number": 2}, ["working"]),
]


@pytest.mark.parametrize(("said", "results"), TOLD)
def test_what_is_said_becomes_punctures(said: dict[str, Any], results: list[str]) -> None:
    told = attempts_told(said)
    assert told.problem is None
    assert [attempt.result for attempt in told.attempts] == results


@pytest.mark.parametrize(
    ("said", "field"),
    [
        ({}, "result"),
        ({"result": "first_time", "attempts": 2}, "attempts"),
        ({"result": "first_time", "first_time": False}, "first_time"),
        ({"result": "failed", "first_time": True}, "first_time"),
        ({"result": "later", "first_time": True}, "first_time"),
        ({"result": "later", "attempts": 1}, "attempts"),
        ({"result": "working", "first_time": False, "attempts": 1}, "attempts"),
        ({"result": "working", "attempts": 0}, "attempts"),
        ({"result": "no_attempt", "attempts": 1}, "attempts"),
        ({"result": "no_attempt", "result_2": "working"}, "attempts"),
        ({"result": "working", "result_2": "failed"}, "site_2"),
        ({"result": "first_time", "gauge_2": 20}, "site_2"),
        ({"result": "failed", "result_2": "failed", "attempts": 3}, "attempts"),
        ({"result": "failed", "result_3": "failed"}, "site_3"),
        ({"result": "first_time", "attempt_number": 2}, "first_time"),
        ({"result": "failed", "first_time": True, "attempt_number": 1}, "first_time"),
        ({"result": "working", "site": ("left", "hand"), "side": "right"}, "side"),
    ],
)
def test_what_contradicts_itself_is_refused_beside_its_cell(said: dict[str, Any], field: str) -> None:
    told = attempts_told(said)
    assert told.problem is not None
    assert told.problem.field == field
    assert told.attempts == ()


def test_site_and_gauge_are_those_of_the_last_where_only_a_number_is_given() -> None:
    told = attempts_told({"result": "working", "attempts": 2, "site": ("left", "forearm"), "gauge": 20})
    assert [(each.site, each.side, each.gauge) for each in told.attempts] == [("", "", 0), ("forearm", "left", 20)]


def test_each_puncture_keeps_its_own_site_and_gauge_where_it_has_columns() -> None:
    told = attempts_told(
        {"result": "failed", "site": ("left", "hand"), "gauge": 20, "site_2": (None, "elbow"), "gauge_2": 22,
         "result_2": "working"}
    )  # fmt: skip
    assert [(each.site, each.gauge, each.result) for each in told.attempts] == [
        ("hand", 20, "failed"),
        ("elbow", 22, "working"),
    ]


@pytest.mark.parametrize(
    ("said", "reasons", "unused"),
    [
        ({"result": "failed", "reason": "through"}, ["through"], False),
        ({"result": "later", "reason": "through"}, ["through", ""], False),
        ({"result": "working", "reason": "through"}, [""], True),
        # 'No suitable vein' is why no attempt was made, never why one failed.
        ({"result": "failed", "reason": "no_vein"}, [""], True),
        ({"result": "no_attempt", "reason": "no_vein"}, [], False),
        ({"result": "no_attempt", "reason": "through"}, [], True),
    ],
)
def test_a_reason_stands_with_what_did_not_work(said: dict[str, Any], reasons: list[str], unused: bool) -> None:
    told = attempts_told(said)
    assert [attempt.reason for attempt in told.attempts] == reasons
    assert told.reason_unused is unused
    assert told.not_attempted == ("no_vein" if said["reason"] == "no_vein" and not reasons else "")
