"""A demo register for tests: built once by its own command, in a database of its own, and asked from outside."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit, urlunsplit

import psycopg

from tests.config.conftest import ROOT

TODAY = date(2026, 6, 30)


@dataclass(frozen=True)
class Register:
    """Where it is, as variables; commands are run in processes of their own, as a user runs them."""

    environment: dict[str, str]

    def run(self, *arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        return self._call([sys.executable, "manage.py", *arguments], check=check)

    def script(self, text: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """Run Python with the register's settings."""
        return self._call([sys.executable, "-c", f"import django; django.setup()\n{text}"], check=check)

    def ask(self, text: str) -> Any:
        """What a script puts into `found`."""
        return json.loads(self.script(f"import json\n{text}\nprint(json.dumps(found))").stdout)

    def _call(self, command: list[str], *, check: bool) -> subprocess.CompletedProcess[str]:
        done = subprocess.run(command, cwd=ROOT, env=self.environment, capture_output=True, text=True, check=False)
        assert not check or done.returncode == 0, done.stderr
        return done


def register_at(**where: str) -> Register:
    base = {"PATH": os.environ["PATH"], "SITED_ENV": "demo", "DJANGO_SETTINGS_MODULE": "config.settings"}
    return Register(base | {"SECRET_KEY": os.environ["SECRET_KEY"], "PYTHONPATH": str(ROOT)} | where)


def on_sqlite(path: Path) -> Register:
    return register_at(SITED_DATABASE=str(path))


@contextmanager
def on_postgresql(server: str, name: str) -> Iterator[Register]:
    """A database of its own on this server, dropped afterwards."""
    with psycopg.connect(server, autocommit=True) as admin:
        admin.execute(f'CREATE DATABASE "{name}"')
        try:
            yield register_at(DATABASE_URL=urlunsplit(urlsplit(server)._replace(path=f"/{name}")))
        finally:
            admin.execute(f'DROP DATABASE "{name}" WITH (FORCE)')
