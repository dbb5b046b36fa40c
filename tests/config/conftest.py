"""Settings in an environment of one's own, and a client whose answers come from the tests' own pages."""

import os
import runpy
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from pytest_django import Settings

from people.models import User

ROOT = Path(__file__).resolve().parents[2]
KEY = secrets.token_urlsafe(48)


Given = Callable[..., dict[str, Any]]


@pytest.fixture
def given(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Given:
    """Load the settings anew in an environment that holds only these variables."""

    def load(**environment: str) -> dict[str, Any]:
        with monkeypatch.context() as patch:
            patch.setattr(os, "environ", environment)
            return runpy.run_path(str(ROOT / "config" / "settings.py"))

    return load


@pytest.fixture
def production(tmp_path: Path) -> dict[str, str]:
    """The least that a register in use must be told."""
    return {
        "SITED_ENV": "production",
        "SECRET_KEY": KEY,
        "ALLOWED_HOSTS": "register.example.org",
        "SITED_DATABASE": str(tmp_path / "register.sqlite3"),
    }


@pytest.fixture
def around(settings: Settings) -> Client:
    """Answers from the tests' own pages, with everything around them but the table of permissions."""
    settings.ROOT_URLCONF = "tests.config.pages"
    settings.MIDDLEWARE = [each for each in settings.MIDDLEWARE if each != "config.permissions.PermissionTable"]
    return Client(raise_request_exception=False)


@pytest.fixture
def user(db: None) -> User:
    return User.objects.create(email="o.marsden@example.org", name="O. Marsden")
