"""From an empty database to the answer, by the commands of the first day; held against pandas on the same workbooks.

The CUSUM is that of Page (1954), Biometrika 41:100-115, in the log-likelihood weights of Steiner et al. (2000),
Biostatistics 1:441-452; the interval that of Wilson (1927), by statsmodels. Rules and their words: the product's own.
"""

import re
from collections import Counter
from datetime import date
from typing import Any

import pandas as pd
import pytest

from audits.models import Insertion
from credentials.models import Enrolment, Learning, Programme
from ledger.models import Act
from tests.imports import by_pandas
from tests.imports.conftest import FIRST, LAST, LOGBOOK, ROWAN, SECRETS, STAFF, Run, first_day

pytestmark = pytest.mark.django_db(transaction=True)

TODAY, THEN = date(2026, 11, 25), date(2026, 5, 14)
START = date.fromisoformat(FIRST)


@pytest.fixture
def staff() -> dict[str, by_pandas.Member]:
    return by_pandas.read_staff(STAFF)


@pytest.fixture
def log(staff: dict[str, by_pandas.Member]) -> pd.DataFrame:
    return by_pandas.read_logbook(LOGBOOK, {number.zfill(6) for number in staff})


@pytest.mark.parametrize("example_from", ["", FIRST], ids=["rules from today", "rules from the first complete day"])
def test_the_answers_are_those_that_pandas_gives(
    run: Run, now: Any, staff: dict[str, by_pandas.Member], log: pd.DataFrame, example_from: str
) -> None:
    first_day(run, example_from=example_from)
    stored = run("import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, LAST, "--json", secret=SECRETS[ROWAN])

    # Two rows are refused: a formula and a number that nobody has. Rows, not insertions: one ward logs each puncture.
    counts = stored.document
    assert (stored.status, counts["already_stored"], counts["corrections"]) == (1, 0, 0)
    assert [(each["sheet"], each["value"]) for each in counts["refused"]] == [
        ("Ward 4 Tern", "1"),
        ("Ward 4 Tern", "9999"),
    ]
    assert counts["stored"] == counts["rows"] - 2
    assert Insertion.objects.count() == len(log) > 600
    assert stored.err.startswith("You sign: The sheet is complete for Heron Point Hospital / Neonatal Unit, ")

    rules_from = date.fromisoformat(example_from) if example_from else TODAY
    for on in (TODAY, THEN):
        _compare_standings(run, staff, log, on)
        _compare_review(run, staff, log, on, rules_from)


def _compare_standings(run: Run, staff: dict[str, by_pandas.Member], log: pd.DataFrame, on: date) -> None:
    statuses = set()
    for number, member in staff.items():
        code = member.procedure
        then = [] if on == TODAY else ["--on", on.isoformat()]
        told = run("standing", number, code, *then, "--json").document
        rows = _of(log, number, code)
        expected = by_pandas.figures(rows, on)
        interval, wanted = told["figures"].pop("interval"), expected.pop("interval")
        assert (told["status"], told["may_insert"]) == by_pandas.status(member, code, on), (number, on)
        assert told["figures"] == expected, (number, on)
        assert interval == (None if wanted is None else pytest.approx(wanted, abs=1e-9))
        if member.ward:
            assert told["unit"].casefold().endswith(f"/ {member.ward}".casefold())
        statuses.add(told["status"])
    every = {"current", "due", "in_grace", "lapsed", "in_training", "no_placement", "not_enrolled"}
    assert statuses == (every if on == TODAY else every - {"in_grace", "lapsed", "due"})


def _compare_review(
    run: Run, staff: dict[str, by_pandas.Member], log: pd.DataFrame, on: date, rules_from: date
) -> None:
    then = [] if on == TODAY else ["--on", on.isoformat()]
    told = run("review", *then, "--json").document
    found = Counter((each["clinician"], each["procedure"], each["rule"], _short(each)) for each in told["findings"])
    expected: Counter[tuple[str, str, str, str]] = Counter()
    pairs = {(number, code) for number, code in zip(log.number, log.procedure, strict=True)}
    for number, member in staff.items():
        for code in {*member.holds, *member.learning, *(c for n, c in pairs if n == number.zfill(6))}:
            for rule, what in by_pandas.findings(
                member, code, _of(log, number, code), on=on, start=START, rules_from=rules_from
            ):
                expected[number, code, rule, _expected(rule, what)] += 1
    assert found == expected
    rules = {rule for _, _, rule, _ in found}
    everything = {
        "first_attempt_rate",
        "repeated_failure",
        "recency",
        "volume",
        "attempts_limit",
        "serious_event",
        "observation_overdue",
        "expiry",
    }
    if on == TODAY:
        assert rules == (everything | {"drift"} if rules_from < TODAY else everything)
        assert told["flags_raised"] == sum(
            count
            for (_, _, rule, _), count in found.items()
            if rule not in ("recency", "volume", "observation_overdue", "expiry")
        )
    judged = Counter(
        by_pandas.status(member, code, on)[0]
        for number, member in staff.items()
        for code in {*member.holds, *member.learning, *(c for n, c in pairs if n == number.zfill(6))}
    )
    assert told["standings"] == dict(sorted(judged.items()))


def _of(log: pd.DataFrame, number: str, code: str) -> pd.DataFrame:
    return log[(log.number == number.zfill(6)) & (log.procedure == code)]


def _short(each: dict[str, str]) -> str:
    """What of a finding pandas can say too."""
    pattern = {"first_attempt_rate": r"\d+ of \d+", "drift": r"at insertion \d+", "repeated_failure": r"last \d+",
               "volume": r"have \d+", "attempts_limit": r"^\d+", "expiry": r"\d+ \w+ \d{4}"}  # fmt: skip
    shortened = re.search(pattern.get(each["rule"], "^$"), each["figure"])
    return shortened[0] if shortened else ""


def _expected(rule: str, what: str) -> str:
    if rule == "expiry":
        day = date.fromisoformat(what)
        return f"{day.day} {day:%B %Y}"
    return {"repeated_failure": "last 5", "volume": f"have {what}", "attempts_limit": "3", "recency": "",
            "serious_event": "", "observation_overdue": ""}.get(rule, what)  # fmt: skip


def test_learning_waits_for_its_programme_and_keeps_its_first_day(run: Run, now: Any) -> None:
    first_day(run)
    assert not Learning.objects.known().exists()
    linh = Enrolment.objects.known().get(clinician__staff_number="006004")
    assert (linh.from_day, linh.until_day) == (date(2026, 3, 2), None)
    assert linh.programme == Programme.objects.get(procedure__code="ADULT")
    # The enrolment is known from the act that approved the programme, which names whom it enrolled.
    act = Act.objects.get(seq=linh.known_from_id)
    assert act.kind == "programme.approved"
    assert {"clinician": str(linh.clinician.uuid), "from": "2026-03-02"} in act.facts["enrolled"]


def test_the_ledger_holds_after_the_first_day(run: Run, now: Any) -> None:
    first_day(run)
    run("import_logbook", LOGBOOK, "--as", ROWAN, "--complete", FIRST, LAST, "--json", secret=SECRETS[ROWAN])
    assert run("verify_ledger", "--json").document["holds"] is True
    assert run("review", "--json").status == 0
    assert run("review", "--check", "--json").document == {"holds": True, "differences": []}
    act = Act.objects.get(kind="logbook.imported")
    assert act.facts["rows"] == list(
        Insertion.objects.filter(known_from=act).order_by("pk").values_list("digest", flat=True)
    )
    assert act.facts["signature"]["printed_name"] == "Rowan Ibarra"
    assert act.facts["statement"]["complete"] == [FIRST, LAST]
