"""The benchmark compares answers, computes anew each time, and prints one document. How fast it is, no test says."""

import json
from io import StringIO

import pytest
from django.core.management import call_command

from audits.statistics.sequential import limit_for_run_length, run_length, score_weights
from audits.statistics.sequential.passage import exits
from config import benchmark
from config.benchmark import Goal, Job, measure

ALWAYS = Goal("anything", lambda floor, naive, ours: True)


def job(**given):
    ways = {"floor": lambda: 3, "naive": lambda: 3, "ours": lambda: 3, "goal": ALWAYS, "differs": unequal}
    return Job(name="a job", engine="python", **{**ways, **given})


def unequal(floor, naive, ours):
    return "" if floor in (None, ours) and naive in (None, ours) else f"{floor}, {naive} and {ours}"


def run(*arguments):
    out = StringIO()
    try:
        call_command("benchmark", *arguments, stdout=out)
    except SystemExit as stop:
        return stop.code, out.getvalue()
    return 0, out.getvalue()


def test_a_job_whose_answers_agree_holds():
    row = measure(job(), rounds=3)
    assert row.holds
    assert row.ratio == row.ours_s / row.floor_s
    assert min(row.floor_s, row.naive_s, row.ours_s) > 0
    assert row.spread >= 0


def test_a_job_that_answers_something_else_does_not_hold_and_says_why():
    row = measure(job(ours=lambda: 4), rounds=1)
    assert not row.holds
    assert row.reason == "3, 3 and 4"


def test_a_difference_in_one_round_only_is_kept():
    answers = iter([4, 3, 3])
    row = measure(job(ours=lambda: next(answers)), rounds=3)
    assert (row.holds, row.reason) == (False, "3, 3 and 4")


def test_a_goal_that_is_missed_does_not_hold():
    row = measure(job(goal=Goal("never", lambda floor, naive, ours: False)), rounds=1)
    assert (row.holds, row.reason) == (False, "")


def test_ways_take_turns_and_caches_are_emptied_before_each():
    seen = []
    ways = {name: (lambda name=name: seen.append(name)) for name in ("floor", "naive", "ours")}
    measure(job(**ways, prepare=lambda: seen.append("-"), differs=lambda *answers: ""), rounds=2)
    assert "".join(seen) == "-floor-naive-ours" * 2


def test_without_a_floor_the_plain_way_is_what_ours_is_held_against():
    row = measure(job(floor=None), rounds=1)
    assert row.floor_s is None
    assert row.ratio == row.ours_s / row.naive_s
    alone = measure(job(floor=None, naive=None), rounds=1)
    assert alone.ratio is None


def test_forgetting_empties_every_cache_of_the_statistics():
    run_length(0.2, weights=score_weights(0.2, 0.35), limit=2.5)
    limit_for_run_length(0.2, 0.35, run_length=100)
    assert exits.cache_info().currsize
    assert limit_for_run_length.cache_info().currsize
    benchmark.forget()
    assert exits.cache_info().currsize == limit_for_run_length.cache_info().currsize == 0


@pytest.mark.parametrize("made", [benchmark.drift_job, benchmark.rate_job])
def test_the_threshold_bench_answers_alike_all_ways(made):
    row = measure(made(), rounds=1)
    assert row.reason == ""


def test_the_threshold_bench_sees_a_wrong_answer():
    drift, rate = benchmark.drift_job(), benchmark.rate_job()
    right, plain, simulated = drift.ours(), drift.floor(), drift.naive()
    assert drift.differs(plain, simulated, right) == ""
    assert "plain chain" in drift.differs(plain * (1 + 1e-5), simulated, right)
    assert "simulation" in drift.differs(plain, simulated + 0.2, right)
    assert "simulation" in rate.differs(None, rate.naive(), rate.ours() + 0.2)


def test_the_command_prints_one_document():
    status, printed = run("--json")
    document = json.loads(printed)
    assert [row["job"] for row in document["rows"]][:1] == ["threshold bench: one change"]
    for row in document["rows"]:
        assert {"job", "engine", "floor_s", "naive_s", "ours_s", "ratio", "spread", "goal", "holds"} <= set(row)
        assert row["ours_s"] > 0
    assert document["machine"]["processors"] >= 1
    assert status == (0 if all(row["holds"] for row in document["rows"]) else 1)


def test_a_row_in_words_names_goal_ratio_and_what_differs():
    told = benchmark.told(measure(job(ours=lambda: 4), rounds=1))
    assert "a job (python): DOES NOT HOLD" in told
    assert "goal: anything" in told
    assert "answers differ: 3, 3 and 4" in told
    good = benchmark.told(measure(job(floor=None, naive=None), rounds=1))
    assert "holds" in good
    assert "floor" not in good
    assert "ratio" not in good


def test_the_command_in_words_ends_with_machine_and_load():
    _, printed = run()
    lines = printed.splitlines()
    assert lines[0].startswith("threshold bench: one change (python): ")
    assert "load" in lines[-1]
    assert "processors" in lines[-1]
