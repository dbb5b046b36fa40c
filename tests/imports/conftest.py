"""The first day of a register, done as its people do it: by commands, an invitation, and a second person's approval."""

import io
import json
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.test import Client

from ledger import clock
from people.models import User

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"
STAFF, LOGBOOK, GROWN = (FIXTURES / name for name in ("staff.xlsx", "logbook.xlsx", "logbook-next-month.xlsx"))
NOW = datetime(2026, 11, 25, 3, 0, tzinfo=UTC)  # 13:30 in Adelaide
FIRST, LAST = "2025-09-01", "2026-10-31"
ROWAN, IMOGEN = "rowan.ibarra@wrenfield.example", "imogen.vale@wrenfield.example"
SECRETS = {ROWAN: "correct staple under rain", IMOGEN: "green kettle by the harbour"}


@dataclass(frozen=True)
class Ran:
    """What a command printed, and how it ended."""

    out: str
    err: str
    status: int

    @property
    def document(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.out)
        return found


Run = Callable[..., Ran]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command as at a terminal that is none: `secret` is what standard input holds."""

    def ran(name: str, *args: object, secret: str = "") -> Ran:
        out, err = io.StringIO(), io.StringIO()
        monkeypatch.setattr("sys.stdin", io.StringIO(f"{secret}\n"))
        status = 0
        try:
            call_command(name, *map(str, args), stdout=out, stderr=err)
        except SystemExit as ended:
            status = int(ended.code or 0)
        return Ran(out.getvalue(), err.getvalue(), status)

    return ran


@pytest.fixture
def now() -> Iterator[datetime]:
    with clock.at(NOW):
        yield NOW


def accept(client: Client, text: str, secret: str) -> None:
    """Follow the invitation in this text and choose a password, as its owner does in a browser."""
    found = re.search(r"/invitation/[\w-]+/", text)
    assert found, text
    answer = client.post(found[0], {"secret": secret})
    assert answer.status_code == 302, answer.content.decode()[:2000]


def first_day(run: Run, *, example_from: str = "") -> None:
    """From an empty database to a register with staff, rules and awards; the logbook is not in it yet."""
    since = ["--from", example_from] if example_from else []
    started = run("start_register", "--group", "Wrenfield Coast Health", "--email", ROWAN, "--example", *since)
    accept(Client(), started.out, SECRETS[ROWAN])
    run("import_staff", STAFF, "--as", ROWAN, "--json", secret=SECRETS[ROWAN])
    accept(Client(), run("invite", IMOGEN, "--print").out, SECRETS[IMOGEN])
    assert run("approve", "--as", IMOGEN, secret=SECRETS[IMOGEN]).status == 0


def rowan() -> User:
    return User.objects.get(email=ROWAN)
