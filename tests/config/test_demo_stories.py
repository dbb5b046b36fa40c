"""A review of the demo register finds the stories by name, and leaves the steady clinicians alone as their odds say."""

import json
import os
from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from audits.calendar import add_months
from audits.statistics.operating import DriftRule, EntryRule, FalseFlags, RateRule, RunRule, ever_flag_probability
from audits.statistics.sequential import limit_for_run_length
from config.demo.attempts import SERIOUS_EVENT, THIRD_PUNCTURE
from config.demo.local_rules import LOCAL
from config.demo.plan import Plan, Steady
from config.demo.scenario import scenario
from config.demo.stories import STORIES
from tests.config.demo_register import TODAY, Register, on_postgresql, on_sqlite

LEVEL = 0.999
GROUP_RULES = ("0.80", "0.20", "0.35")
FALSE_ALARMS = ("first_attempt_rate", "drift", "repeated_failure")
ASK_STANDINGS = """
from config.demo.stories import STORIES
from credentials.standings import read
from audits.models import Procedure
from people.models import Clinician
keys = dict(Procedure.objects.values_list("code", "pk"))
found = {}
for key, story in STORIES.items():
    standing = read(Clinician.objects.get(staff_number=story.number).pk, keys[story.procedure], on=DAY)
    found[key] = {
        "status": standing.home.status.value, "may": standing.home.answer.value,
        "reasons": [each.text for each in standing.home.reasons],
        "award": {line.label: [line.have, line.need, line.note] for line in standing.standing.award},
    }
"""
ASK_ENTRIES = """
from collections import defaultdict
from audits.models import Dispute, Insertion, Proposal, Statement
from config.demo.stories import STORIES
found = {}
for key, story in STORIES.items():
    entries = Insertion.objects.known().filter(clinician__staff_number=story.number)
    others = Insertion.objects.exclude(clinician__staff_number=story.number)
    stated = Statement.objects.known().filter(insertion__in=entries)
    found[key] = {
        "entries": entries.count(),
        "statements": sorted(stated.values_list("kind", flat=True)),
        "signers": sorted(set(stated.values_list("printed_name", flat=True))),
        "results": sorted(entries.values_list("result", flat=True)),
        "withdrawn": entries.filter(withdrawn=True).count(),
        "late": sum(each.days_to_entry > 7 for each in entries),
        "unsigned": entries.exclude(supervisor=None).exclude(pk__in=stated.values("insertion")).count(),
        "emergencies": entries.filter(emergency=True).count(),
        "proposals": Proposal.objects.known().filter(insertion__in=entries).count(),
        "disputes": Dispute.objects.known().filter(insertion__in=entries).count(),
        "shared": entries.filter(occasion__in=others.values("occasion")).count(),
        "difficult": [entries.filter(difficult="before", result=r).count() for r in ("first_time", "not_first")],
        "easy": [entries.filter(difficult="", result=r).count() for r in ("first_time", "not_first")],
    }
"""


@pytest.fixture(scope="session")
def plan() -> Plan:
    return scenario(TODAY)


@pytest.fixture(scope="session")
def register(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Register]:
    """Filled without a review, once for a whole run of the tests, on the engine that they run on."""
    if connection.vendor == "postgresql":
        with on_postgresql(os.environ["DATABASE_URL"], f"demo_sited_{os.getpid()}") as made:
            yield _filled(made)
    else:
        yield _filled(on_sqlite(Path(tmp_path_factory.mktemp("demo")) / "demo.sqlite3"))


def _filled(made: Register) -> Register:
    made.run("demo", "--no-serve", "--no-review", "--today", TODAY.isoformat())
    return made


@pytest.fixture(scope="session")
def reviewed(register: Register) -> dict[str, Any]:
    """What `review` said in that register."""
    on_the_day = f"""
from datetime import datetime
from django.core.management import call_command
from ledger import clock
with clock.at(datetime.fromisoformat("{TODAY.isoformat()}T00:30:00+00:00")):
    call_command("review", "--json")
"""
    document: dict[str, Any] = json.loads(register.script(on_the_day).stdout)
    assert document["on"] == TODAY.isoformat()
    return document


@pytest.fixture(scope="session")
def standings(register: Register) -> dict[str, Any]:
    return register.ask(f"from datetime import date; DAY = date.fromisoformat('{TODAY.isoformat()}')\n{ASK_STANDINGS}")


@pytest.fixture(scope="session")
def entries(register: Register) -> dict[str, Any]:
    return register.ask(ASK_ENTRIES)


ASK_FILES = """
from credentials.papers import evidence, verifier
from people.access import access_of
from people.models import Clinician, User
access = access_of(User.objects.get(email="idris.fennimore@wrenfield.example"))
found = {"files": 0, "imported": 0, "wrong": []}
for who in Clinician.objects.order_by("pk")[::4]:
    file = evidence.evidence_of(access, who, made_at="2026-01-01T00:00:00.000000Z", by="Somebody")
    found["files"] += 1
    found["imported"] += any(each["kind"] == "logbook.imported" for each in file["acts"])
    found["wrong"] += list(verifier.problems(evidence.sealed(file).encode()))
"""


@pytest.mark.std("A-20")
def test_evidence_files_hold_for_people_of_every_kind(register: Register) -> None:
    found = register.ask(ASK_FILES)
    assert found["wrong"] == []
    assert found["files"] > 20
    assert found["imported"] > 5


ASK_COUNTED = f"""
from datetime import datetime
from audits.models import Procedure
from credentials.progressing import what_counts
from credentials.seeing import seen_by
from credentials.standings import pairs_of
from ledger import clock
from people.access import access_of
from people.models import Clinician, User
people, procedures = Clinician.objects.in_bulk(), Procedure.objects.in_bulk()
found = dict(lines=0, reasons=[], wrong=[])
with clock.at(datetime.fromisoformat("{TODAY.isoformat()}T00:30:00+00:00")):
    access = access_of(User.objects.get(email="ottilie.marrow@wrenfield.example"))
    for who, which in pairs_of():
        shown = what_counts(access, seen_by(access, people[who]), people[who], procedures[which])
        for line in (each for group in shown.groups for each in group.lines):
            found["lines"] += 1
            found["reasons"] += [piece.why for piece in line.left_out]
            if line.more or line.more_not or sum(piece.counts for piece in line.pieces) != line.line.have:
                found["wrong"].append([people[who].name, procedures[which].code, line.line.label])
found["reasons"] = sorted(set(found["reasons"]))
"""


def test_what_counts_comes_to_the_progress_of_everybody(register: Register) -> None:
    found = register.ask(ASK_COUNTED)
    assert found["wrong"] == []
    assert found["lines"] > 200
    assert {"not countersigned yet", "sent back by the supervisor, not countersigned"} <= set(found["reasons"])
    assert "disputed, not counted until decided" in found["reasons"]
    assert "the supervisor named says: not me" in found["reasons"]


@pytest.mark.parametrize("key", STORIES)
def test_the_review_finds_the_story(key: str, reviewed: dict[str, Any], standings: dict[str, Any]) -> None:
    story = STORIES[key]
    found = {each["rule"] for each in reviewed["findings"] if each["clinician"] == story.number}
    assert story.rules <= found
    assert (standings[key]["status"], standings[key]["may"]) == (story.status, story.may)


def test_every_status_occurs(reviewed: dict[str, Any]) -> None:
    assert set(reviewed["standings"]) >= {
        "no_placement", "not_enrolled", "in_training", "ready_for_award", "provisional", "current", "due", "in_grace",
        "lapsed", "by_role", "stood_down", "suspended", "withdrawn",
    }  # fmt: skip


def test_it_is_a_group_of_some_size(plan: Plan, register: Register) -> None:
    said = register.run("demo", "--no-serve").stdout
    assert f"filled up to {TODAY.isoformat()}" in said
    found = register.ask(
        "from people.models import Clinician\nfrom people.tree import tree\n"
        "from audits.models import Insertion, Sheet\n"
        "levels = [node.level for node in tree().nodes.values()]\n"
        "kept = Insertion.objects.known().count()\n"
        "found = [Clinician.objects.count(), levels.count('hospital'), len(levels), kept, Sheet.objects.count()]"
    )
    clinicians, hospitals, units, insertions, sheets = found
    assert clinicians == len(plan.members)
    assert 110 <= clinicians <= 160
    assert (hospitals, units) == (2, 17)
    assert insertions == sum(_counts(plan, each) for each in plan.insertions)
    assert sheets == 46


def _counts(plan: Plan, each: Any) -> bool:
    """Whether it is in the register: a month's sheet comes in on the third of the next."""
    comes = add_months(each.at.date().replace(day=1), 1) + timedelta(days=2)
    assert (comes < plan.today) == (each.at.date() < plan.last_sheet)
    return not each.from_sheet or comes < plan.today


# --- stories that no rule tells ---


def test_the_trainee_close_to_award_lacks_one(standings: dict[str, Any], entries: dict[str, Any]) -> None:
    assert standings["close"]["award"]["Supervised insertions"][:2] == [9, 10]
    assert entries["close"]["unsigned"] == 1


def test_credit_is_in_question_where_the_supervisor_was_not_appointed_on_the_day(standings: dict[str, Any]) -> None:
    have, _, note = standings["in_question"]["award"]["Supervised insertions"]
    assert have == 8
    assert "6 in question" in note


def test_a_record_to_be_asked_about_is_all_success_and_one_signer(entries: dict[str, Any]) -> None:
    asked = entries["asked"]
    assert asked["results"] == ["first_time"] * 30
    assert asked["statements"] == ["in_room"] * 30
    assert asked["signers"] == [STORIES["asked_supervisor"].name]


def test_the_clinician_who_looks_bad_fails_where_it_is_difficult_and_hardly_elsewhere(entries: dict[str, Any]) -> None:
    worked, failed = entries["difficult"]["difficult"]
    easy, easy_failed = entries["difficult"]["easy"]
    assert failed / (worked + failed) > 0.25
    assert easy_failed / (easy + easy_failed) < 0.15


def test_everything_that_can_hang_on_an_entry_hangs_on_one(entries: dict[str, Any]) -> None:
    mended = entries["mended"]
    assert Counter(mended["statements"]) == {"in_room": 6, "sent_back": 1, "not_me": 1}
    # The withdrawn version names its supervisor too, and bears no statement.
    assert (mended["unsigned"], mended["withdrawn"], mended["proposals"], mended["disputes"]) == (3, 1, 1, 1)
    assert mended["late"] == 1


def test_an_emergency_a_shared_patient_and_a_move_are_there(entries: dict[str, Any], standings: dict[str, Any]) -> None:
    assert entries["emergency"]["emergencies"] == 1
    assert entries["joined"]["shared"] == 1
    assert any("not held here" in reason for reason in standings["moved"]["reasons"])
    assert any("return" in reason.casefold() for reason in standings["leave"]["reasons"])
    assert any("student" in reason for reason in standings["student_employed"]["reasons"])
    assert any("agency" in reason for reason in standings["agency"]["reasons"])


# --- the steady clinicians ---


def test_no_more_steady_clinicians_are_flagged_than_their_own_odds_allow(plan: Plan, reviewed: dict[str, Any]) -> None:
    """Both for what accuses somebody of a low rate, and for everything that asks for a review."""
    assert len(plan.steady) >= 60
    steady = {(each.who, each.procedure) for each in plan.steady}
    for rules in (FALSE_ALARMS, (*FALSE_ALARMS, "attempts_limit", "serious_event")):
        odds = FalseFlags.from_chances([_chance_of_any(plan, each, rules) for each in plan.steady])
        flagged = {
            (each["clinician"], each["procedure"])
            for each in reviewed["findings"]
            if each["rule"] in rules and (each["clinician"], each["procedure"]) in steady
        }
        assert 0 < odds.expected < len(steady) / 4
        assert len(flagged) <= odds.quantile(LEVEL), (odds.expected, sorted(flagged))


def test_the_seeded_rates_are_those_of_the_record(plan: Plan) -> None:
    """Over all steady clinicians, failures lie within four standard errors of what the true rates say."""
    expected = variance = failures = 0.0
    for each in plan.steady:
        days = _days(plan, each)
        expected += len(days) * (1 - each.true_rate)
        variance += len(days) * each.true_rate * (1 - each.true_rate)
        failures += sum(not works for _, works in days)
        assert 0.6 < each.true_rate < 0.95
    assert abs(failures - expected) < 4 * variance**0.5


def _chance_of_any(plan: Plan, steady: Steady, rules: tuple[str, ...]) -> float:
    """The chance that one review flags this clinician by any of these rules."""
    none = 1.0
    for rule in rules:
        none *= 1 - _chance(plan, steady, rule)
    return 1 - none


def _chance(plan: Plan, steady: Steady, rule: str) -> float:
    """By one rule, as it looks on the last day: the rate at the first of the month, the others at all so far."""
    days = [day for day, _ in _days(plan, steady)]
    look = plan.today.replace(day=1)
    year = sum(add_months(look, -12) < day <= look for day in days)
    last_year = sum(add_months(plan.today, -12) < day for day in days)
    unit = plan.members[steady.who].unit
    if not days or (rule in ("first_attempt_rate", "drift") and unit == "imaging"):
        return 0.0  # nothing to judge by, or a logging fortnight: not assessable
    target, acceptable, unacceptable = LOCAL.get(unit, GROUP_RULES)
    if rule == "first_attempt_rate":
        asked = RateRule(float(target), 20, window=1)
        return ever_flag_probability(asked, steady.true_rate, volumes=[year]).probability
    if rule == "drift":
        asked = DriftRule(float(acceptable), float(unacceptable), _limit(acceptable, unacceptable))
        return ever_flag_probability(asked, steady.true_rate, volumes=[len(days)]).probability
    if rule == "repeated_failure":
        return ever_flag_probability(RunRule(5), steady.true_rate, volumes=[len(days)]).probability
    each = THIRD_PUNCTURE if rule == "attempts_limit" else SERIOUS_EVENT
    return ever_flag_probability(EntryRule(), each, volumes=[last_year]).probability


@cache
def _limit(acceptable: str, unacceptable: str) -> float:
    return limit_for_run_length(float(acceptable), float(unacceptable), run_length=1281)


def _days(plan: Plan, steady: Steady) -> list[tuple[date, bool]]:
    """The days of what this clinician has in the register as a holder, and whether it worked first time."""
    return [
        (each.at.date(), each.works)
        for each in plan.insertions
        if each.who == steady.who and not each.supervisor and _counts(plan, each)
    ]


ASK_PLANNING = """
from config.demo import leads
from credentials.cover import cover
from credentials.models import LocalPolicy
from credentials.policies import waiting
from people.access import access_of
from people.models import User
mine = access_of(User.objects.get(email=leads.manager_of("saltmarsh")), DAY)
theirs = access_of(User.objects.get(email=leads.manager_of("harbour")), DAY)
found = {
    "ended": list(LocalPolicy.objects.known().filter(ended=True).values_list("title", flat=True)),
    "versions": LocalPolicy.objects.filter(title="Sharps and exposure").count(),
    "soon": [line.words for line in waiting(mine)],
    "late": [line.words for line in waiting(theirs)],
    "cover": {each.name: [each.needed, each.today.own, each.next] for each in cover(mine)},
}
"""


def test_who_plans_finds_a_need_ahead_and_a_policy_that_is_due(register: Register) -> None:
    found = register.ask(f"from datetime import date; DAY = date.fromisoformat('{TODAY.isoformat()}')\n{ASK_PLANNING}")
    assert found["ended"] == ["Cannulation in renal patients"]
    assert found["versions"] == 2
    assert [words for words in found["soon"] if "look at it again by" in words] != []
    assert [words for words in found["late"] if "was to be looked at again by" in words] != []
    assert {"Ward 4 Tern", "Ward 5 Heron", "Emergency"} <= found["cover"].keys()
    assert [needs for _, _, needs in found["cover"].values() if "renewal" in needs or "more" in needs] != []
