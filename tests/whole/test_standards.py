"""Every demand of the published standards that the project keeps is held by a test that names it."""

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

TESTS = Path(__file__).resolve().parents[1]
IDENTIFIER = re.compile(r"[A-G]-\d\d[a-z]?")

# Kept from the first day; more are added as they are built. In words, so that nobody needs another list beside it.
KEPT = {
    "A-01": "a signature shows printed name, moment and meaning",
    "A-02": "name, role and registration are those of the moment of signing",
    "A-03": "a signature is bound to exact content",
    "A-04": "signing asks for the secret each time",
    "A-04a": "no window in which a recent secret counts",
    "A-05": "signing several shows each, asks once, and makes a signature for each",
    "A-06": "one account is one person, never reused",
    "A-07": "nobody signs for another, administrators included",
    "A-08": "nobody judges themselves; authority is that of the day of the event",
    "A-09": "steps come in their order, and none is skipped by a request of one's own",
    "A-10": "what is not signed says so, and names who wrote it and who attests it",
    "A-11": "every write leaves its act, in UTC, and it cannot be turned off",
    "A-12": "a correction adds a version, with its reason and its own signature",
    "A-13": "nothing is deleted; what is withdrawn stays readable and counts for nothing",
    "A-14": "a signature names organisation, account, application, kind, moment and record",
    "A-15": "when it was done and when it was entered are both kept",
    "A-16": "append-only in the database itself",
    "A-17": "a hash chain, and a command that finds the first bad act",
    "A-20": "one person's whole file on paper and as data, with a script that checks it without the register",
    "A-21": "a printed entry says whether it was changed since it was first entered, and why",
    "A-22": "the server's clock in UTC; a device's own time is a claim",
    "A-26": "training and proficiency are captured, reported by role, sent on, notified, and decide what one may do",
    "B-40": "no patient identifiers",
    "B-45": "a flag is explained, can be answered, and limits nobody; people decide",
    "C-04": "what binds is checked as a whole before it is signed",
    "C-20": "papers are tagged, titled and say their language",
    "E-05": "the code on a certificate opens a page with name, procedure, place and days alone, and can be revoked",
    "F-05": "a check page shows every answer, with ways to change it and back",
    "F-06": "going back and sending again does no harm",
    "F-16": "a paper says which page of how many, who made it and when, what it holds, and has space to sign",
    "F-12": "progress in words, n of N, with a labelled bar",
    "F-13": "what happened, in order: who, what, when",
}


@cache
def marks() -> tuple[tuple[str, str], ...]:
    """(identifier, test) of every mark in the tests: on a function, a class or a module."""
    return tuple(_marks())


def _marks() -> Iterator[tuple[str, str]]:
    for path in sorted(TESTS.rglob("test_*.py")):
        module = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(module):
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                holders, name = node.decorator_list, node.name
            elif isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark":
                holders, name = [node.value], "all"
            else:
                continue
            for holder in holders:
                for call in ast.walk(holder):
                    if isinstance(call, ast.Call) and ast.unparse(call.func) == "pytest.mark.std":
                        for argument in call.args:
                            yield ast.literal_eval(argument), f"{path.relative_to(TESTS)}::{name}"


@pytest.mark.parametrize("identifier", KEPT)
def test_a_demand_that_is_kept_has_a_test_that_names_it(identifier):
    assert [test for named, test in marks() if named == identifier] != [], KEPT[identifier]


def test_every_mark_names_a_demand_as_the_list_writes_it():
    found = marks()
    assert len(found) > 100
    assert [(named, test) for named, test in found if not IDENTIFIER.fullmatch(named)] == []
