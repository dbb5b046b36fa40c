"""Every table that an answer reads knows two times, by what is queried; every kind of act says whom it touches."""

import ast
import random
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.apps import apps
from django.db import connection

from audits.holding import holdings, supervisors_of
from audits.measures import measures
from credentials import standings
from credentials.rules.asking import ask_for
from ledger import acts, clock
from ledger.models import Known
from people import stale
from tests.whole.world import BEGUN, Walk, make_world

ROOT = Path(__file__).resolve().parents[2]
APPS = ("people", "audits", "credentials", "config")

# Read for an answer as known then, and without two times of their own, each for a reason.
EXEMPT = {
    "audits.Attempt": "hangs on one version of an insertion, which has them",
    "audits.Procedure": "an identity",
    "credentials.Flag": "its two times are the acts that raised and closed it",
    "ledger.Act": "is the time",
    "ledger.Head": "the ledger's own",
    "people.Clinician": "an identity; its profession as known then is taken from the acts that changed it",
    "people.Unit": "an identity: its place in the tree is dated",
    "people.User": "an identity",
}
# Read for an answer as known now alone.
ONLY_NOW = {
    "audits.Outcome": "derived from what is known now, and made again at will",
    "credentials.Standing": "derived from what is known now, and made again at will",
    "people.Stale": "says what of the above is not to be trusted",
}


@pytest.fixture
def walk(db) -> Walk:
    with clock.at(BEGUN):
        walk = Walk(make_world(), random.Random(3))
    for verb in ("log_and_sign", "log", "open_dispute", "decide_scope", "set_absence", "review", "close_flag") * 3:
        walk.step(verb)
    return walk


def queried(ask) -> set[str]:
    """The labels of the models whose tables a question reads."""
    statements: list[str] = []

    def note(execute, sql, params, many, context):
        statements.append(sql)
        return execute(sql, params, many, context)

    with connection.execute_wrapper(note):
        ask()
    tables = {model._meta.db_table: model._meta.label for model in apps.get_models(include_auto_created=True)}
    return {label for table, label in tables.items() if any(f'"{table}"' in sql for sql in statements)}


def without_two_times(labels: set[str]) -> set[str]:
    return {label for label in labels if not issubclass(apps.get_model(label), Known)}


def test_whatever_an_answer_as_known_then_is_read_from_knows_two_times(walk):
    with clock.at(walk.now):
        known = acts.head()
        pairs = walk.pairs()
        judged = standings.judge_many(pairs)

        def ask() -> None:
            on = judged[pairs[0]].on
            standings.judge_many(pairs, on=on, known=known)
            asks = {pair: ask_for(each.facts, on) for pair, each in judged.items() if each.on == on}
            measures(None, asks=asks, on=on, known=known)
            holdings(known=known)
            supervisors_of(walk.world.cast.wards.ward.pk, [pairs[0][1]], on, known=known)

        read = queried(ask)
    assert read >= {"audits.Insertion", "audits.Statement", "audits.Award", "people.Placement", "people.Setting"}
    assert without_two_times(read) - EXEMPT.keys() == set()


def test_whatever_an_answer_of_today_is_read_from_knows_two_times_or_is_derived(walk):
    with clock.at(walk.now):
        standings.refresh()
        pairs = walk.pairs()

        def ask() -> None:
            standings.read_many(pairs)
            standings.judge_many(pairs)

        read = queried(ask)
    assert read >= ONLY_NOW.keys()
    assert without_two_times(read) - EXEMPT.keys() - ONLY_NOW.keys() == set()


def test_every_exemption_is_of_a_table_without_two_times():
    assert without_two_times({*EXEMPT, *ONLY_NOW}) == {*EXEMPT, *ONLY_NOW}


def test_as_known_then_reads_what_is_stored_for_now_nowhere(walk):
    """A table without two times of its own would answer about then with what holds now."""
    with clock.at(walk.now):
        read = queried(lambda: standings.judge_many(walk.pairs(), on=walk.today, known=acts.head()))
    assert read & ONLY_NOW.keys() == set()


# --- every kind of act says whom it touches ---


def written_kinds() -> dict[str, str]:
    """Kind of act, '*' for a part that is worked out -> where the code writes it."""
    found = {}
    for app in APPS:
        for path in sorted((ROOT / app).rglob("*.py")):
            if "migrations" in path.parts:
                continue
            module = ast.parse(path.read_text(encoding="utf-8"))
            for node in ast.walk(module):
                for kind in _kinds_in(node, module):
                    found[kind] = f"{path.relative_to(ROOT)}:{node.lineno}"
    return found


def _kinds_in(node: ast.AST, module: ast.Module) -> Iterator[str]:
    if isinstance(node, ast.Call) and _name(node.func) == "recording":
        value = next(keyword.value for keyword in node.keywords if keyword.arg == "kind")
        yield from _values(value, module)
    if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "rec.kind":
        yield from _values(node.value, module)


def _values(value: ast.expr, module: ast.Module) -> Iterator[str]:
    """The texts that an expression can be: a constant, one of two, a pattern, or what calls hand in by this name."""
    if isinstance(value, ast.Constant):
        yield value.value
    elif isinstance(value, ast.IfExp):
        yield from (text for part in (value.body, value.orelse) for text in _values(part, module))
    elif isinstance(value, ast.JoinedStr):
        yield "".join(str(part.value) if isinstance(part, ast.Constant) else "*" for part in value.values)
    elif isinstance(value, ast.Name):
        handed = [
            keyword.value
            for call in ast.walk(module)
            if isinstance(call, ast.Call)
            for keyword in call.keywords
            if keyword.arg == value.id and isinstance(keyword.value, ast.Constant)
        ]
        named = [
            each.value for each in module.body if isinstance(each, ast.Assign) and _name(each.targets[0]) == value.id
        ]
        assert handed or named, f"no text is to be found for {value.id}"
        yield from (text for each in (*handed, *named) for text in _values(each, module))
    else:
        raise AssertionError(f"what kind of act is {ast.dump(value)}?")


def _name(node: ast.expr) -> str:
    return node.id if isinstance(node, ast.Name) else node.attr if isinstance(node, ast.Attribute) else ""


def test_every_kind_of_act_that_the_code_writes_says_whom_it_touches():
    kinds = written_kinds()
    assert {
        "insertion.corrected",
        "correction.proposed",
        "staff.imported",
        "account.ended",
        "*.approved",
    } <= kinds.keys()
    missing = {
        kind: where
        for kind, where in kinds.items()
        if (
            not any(each.endswith(kind[1:]) for each in stale.registered())
            if "*" in kind
            else kind not in stale.registered()
        )
    }
    assert missing == {}
