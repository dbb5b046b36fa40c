"""The demo command: only in an empty database, whole or not at all, the same from the same seed."""

import http.cookiejar
import os
import re
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path

import pytest
from django.contrib.auth.hashers import Argon2PasswordHasher

from audits.localtime import moment
from config.demo import leads, names
from config.demo.filling import quick_secrets
from config.demo.groundplan import ZONE
from config.demo.plan import Insertion, awarded_for
from config.demo.scenario import scenario
from config.demo.stories import STORIES
from tests.config.conftest import ROOT
from tests.config.demo_register import Register, on_postgresql, on_sqlite

# Days on which calendars are awkward: leap day, month's ends, the clocks' change, the first of a year.
DAYS = [date(2028, 2, 29), date(2027, 1, 1), date(2026, 10, 4), date(2026, 5, 31), date(2025, 3, 31)]

# A register with those who lead and nobody else: all of the command's ways but the long one. `last` is its last turn.
SMALL = """
import os
import signal
from datetime import date
from config.demo import leads
from config.demo.making import make
from config.demo.plan import Plan

plan = Plan(today=date(2026, 6, 30), seed=1)
for lead in leads.LEADS:
    for role, unit in lead.roles:
        plan.appoint(lead.email, role, unit)
"""
MADE = SMALL + "make(plan, say=print, review=False)\n"
KILLED = SMALL + (
    "plan.turn(date(2026, 6, 1), lambda doors: os.kill(os.getpid(), signal.SIGKILL))\n"
    "make(plan, say=print, review=False)\n"
)


@pytest.fixture
def empty(tmp_path: Path) -> Register:
    return on_sqlite(tmp_path / "demo.sqlite3")


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("small") / "demo.sqlite3"
    on_sqlite(path).script(MADE)
    return path


@pytest.fixture
def small(original: Path, tmp_path: Path) -> Register:
    """A copy of a small demo, whole in one file once nobody has it open."""
    return on_sqlite(Path(shutil.copy(original, tmp_path / "demo.sqlite3")))


def heads(register: Register) -> int:
    found: int = register.ask("from ledger.acts import head\nfound = head()")
    return found


# --- the plan ---


def told(insertions: list[Insertion]) -> list[Insertion]:
    return sorted(insertions, key=lambda each: each.uuid)


def test_the_same_seed_tells_the_same_and_another_does_not() -> None:
    day = date(2026, 6, 30)
    one, again, other = scenario(day), scenario(day), scenario(day, seed=7)
    assert told(one.insertions) == told(again.insertions)
    assert (one.members, one.certificates, one.steady) == (again.members, again.certificates, again.steady)
    assert told(one.insertions) != told(other.insertions)


@pytest.mark.parametrize("today", DAYS)
def test_on_any_day_nothing_happens_today_or_later_or_at_a_time_that_never_was(today: date) -> None:
    plan = scenario(today)
    midnight = datetime.combine(today, datetime.min.time())
    for each in plan.insertions:
        assert each.at < each.logged < midnight or each.from_sheet
        assert each.at < midnight
        # Raises for a local time that did not happen, or happened twice.
        moment(each.at, ZONE)
        moment(each.logged, ZONE)
    assert {story.number for story in STORIES.values()} <= plan.members.keys()
    assert len({names.email(each.name, "x.example") for each in plan.members.values()}) == len(plan.members)


def test_an_award_that_must_end_on_a_leap_day_begins_on_a_day_that_exists() -> None:
    assert awarded_for(date(2028, 2, 29), 24, latest=date(2026, 3, 1)) == date(2026, 1, 29)
    with pytest.raises(ValueError, match="no award"):
        awarded_for(date(2028, 2, 29), 24, latest=date(2001, 1, 1))


def test_quick_secrets_are_for_the_filling_alone() -> None:
    usual = Argon2PasswordHasher().params()
    with quick_secrets():
        quick = Argon2PasswordHasher().params()
    assert quick.memory_cost < usual.memory_cost
    assert Argon2PasswordHasher().params() == usual


# --- the database ---


def test_a_second_call_serves_what_the_first_made(small: Register) -> None:
    before = heads(small)
    said = small.run("demo", "--no-serve").stdout
    assert "filled up to 2026-06-30 by an earlier call" in said
    assert leads.SECRET in said
    assert all(lead.email in said for lead in leads.LEADS)
    assert heads(small) == before


def test_what_it_made_is_marked_as_a_demo_and_its_ledger_holds(small: Register) -> None:
    assert small.ask("from ledger import register\nfound = register.is_demo()") is True
    assert '"holds": true' in small.run("verify_ledger", "--json").stdout


def test_a_register_that_somebody_else_began_is_refused_and_stays(empty: Register) -> None:
    empty.run("migrate", "--verbosity", "0")
    empty.run("start_register", "--group", "Elsewhere", "--email", "a.person@elsewhere.example")
    before = heads(empty)
    refused = empty.run("demo", "--no-serve", check=False)
    assert refused.returncode == 1
    assert "the demo did not make it. Nothing was changed" in refused.stderr
    assert heads(empty) == before


def test_a_database_of_something_else_is_refused_and_stays(empty: Register, tmp_path: Path) -> None:
    make_table = "from django.db import connection\nconnection.cursor().execute('CREATE TABLE diary (line text)')"
    empty.script(make_table)
    refused = empty.run("demo", "--no-serve", check=False)
    assert (refused.returncode, "something else" in refused.stderr) == (1, True)
    assert empty.ask("from django.db import connection\nfound = connection.introspection.table_names()") == ["diary"]


def test_a_database_that_was_only_migrated_is_filled(empty: Register) -> None:
    empty.run("migrate", "--verbosity", "0")
    empty.script(MADE)
    assert "filled up to 2026-06-30" in empty.run("demo", "--no-serve").stdout


def test_a_filling_cut_short_leaves_nothing_to_serve_and_the_next_call_starts_anew(
    empty: Register, tmp_path: Path
) -> None:
    assert empty.script(KILLED, check=False).returncode == -9
    assert not (tmp_path / "demo.sqlite3").exists()
    assert (tmp_path / "demo.sqlite3-filling").exists()
    assert "An earlier filling was cut short: starting anew." in empty.script(MADE).stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["demo.sqlite3"]
    assert '"holds": true' in empty.run("verify_ledger", "--json").stdout


def test_two_fillings_at_once_are_one(empty: Register, tmp_path: Path) -> None:
    import fcntl

    with (tmp_path / "demo.sqlite3-filling-lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        refused = empty.run("demo", "--no-serve", check=False)
    assert (refused.returncode, "Another call is filling" in refused.stderr) == (1, True)


def test_on_postgresql_a_filling_cut_short_is_said_and_never_served(postgresql_url: str) -> None:
    with on_postgresql(postgresql_url, f"demo_small_{os.getpid()}") as register:
        assert register.script(KILLED, check=False).returncode == -9
        refused = register.run("demo", "--no-serve", check=False)
        assert (refused.returncode, "was cut short" in refused.stderr) == (1, True)


def test_on_postgresql_it_is_filled_in_place(postgresql_url: str) -> None:
    with on_postgresql(postgresql_url, f"demo_small_{os.getpid()}") as register:
        register.script(MADE)
        assert "filled up to 2026-06-30" in register.run("demo", "--no-serve").stdout
        assert '"holds": true' in register.run("verify_ledger", "--json").stdout


# --- the command line ---


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--no-serve", "--today", "31/5/2026"), "is no date"),
        (("--no-serve", "--today", "1999-05-31"), "years 2005 to 2100"),
        (("--port", "70000"), "is no port"),
    ],
)
def test_wrong_use_is_said_in_a_line(empty: Register, arguments: tuple[str, ...], words: str, tmp_path: Path) -> None:
    refused = empty.run("demo", *arguments, check=False)
    assert (refused.returncode, words in refused.stderr) == (2, True)
    assert not (tmp_path / "demo.sqlite3").exists()


def test_a_taken_port_is_said_before_anything_is_filled(empty: Register, tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("localhost", 0))
        other.listen()
        refused = empty.run("demo", "--port", str(other.getsockname()[1]), check=False)
    assert (refused.returncode, "is taken" in refused.stderr) == (1, True)
    assert not (tmp_path / "demo.sqlite3").exists()


def test_it_does_not_go_back_before_the_day_of_its_last_act(small: Register) -> None:
    refused = small.run("demo", "--no-serve", "--today", "2026-06-29", check=False)
    assert (refused.returncode, "cannot go back" in refused.stderr) == (1, True)


# --- served ---


@pytest.fixture
def served(small: Register) -> Iterator[str]:
    """The address of the demo, served for a day to come: the clock of this process runs from there."""
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "manage.py", "demo", "--port", str(port), "--today", "2031-08-17"],
        cwd=ROOT,
        env=small.environment | {"SITED_PLAIN_COOKIES": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield f"http://localhost:{port}"
    finally:
        server.terminate()
        _, errors = server.communicate(timeout=120)
    assert server.returncode == 0, errors


def test_whoever_is_printed_can_sign_in_with_the_secret_that_is_printed(served: str) -> None:
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
    page = _get(browser, f"{served}/sign-in/")
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)
    assert token
    form = {"csrfmiddlewaretoken": token[1], "username": leads.EDUCATOR.email, "password": leads.SECRET}
    sent = urllib.request.Request(f"{served}/sign-in/", urllib.parse.urlencode(form).encode())
    with browser.open(sent) as answer:
        text = answer.read().decode()
    assert leads.EDUCATOR.name in text
    assert "17 August 2031" in _get(browser, f"{served}/who-can/") + text


def _get(browser: urllib.request.OpenerDirector, address: str) -> str:
    until = time.monotonic() + 180
    while True:
        try:
            with browser.open(address) as answer:
                return str(answer.read().decode())
        except urllib.error.HTTPError:
            raise
        except urllib.error.URLError:
            assert time.monotonic() < until, "the demo does not answer"
            time.sleep(0.2)
