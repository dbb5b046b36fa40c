"""What is logged, and what is not."""

import json
import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from django.conf import settings as live_settings
from django.test import Client
from pytest_django import Settings

from config import logs
from people.models import User
from tests.config.pages import TYPED


@pytest.fixture
def lines(capfd: pytest.CaptureFixture[str], settings: Settings) -> Iterator[Callable[[], list[dict[str, Any]]]]:
    """The log since the last call, each line parsed."""
    logs.configure({"level": "INFO"})
    yield lambda: [json.loads(line) for line in capfd.readouterr().err.splitlines()]
    logs.configure(live_settings.LOGGING)


@pytest.mark.std("B-25")
@pytest.mark.std("G-05")
def test_a_request_is_one_line_of_json_without_its_path(
    around: Client, user: User, lines: Callable[[], list[dict[str, Any]]]
) -> None:
    around.force_login(user)
    lines()
    answer = around.get("/plain?q=hidden")
    (line,) = lines()
    assert line.pop("ms") >= 0
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}\+00:00", line.pop("at"))
    assert line == {
        "level": "info",
        "logger": "sited",
        "event": "request",
        "request": answer["X-Request-ID"],
        "method": "GET",
        "route": "plain",
        "status": 200,
        "user": None,
    }
    around.get("/nowhere/one-time-token\r\nforged: line")
    (line,) = lines()
    assert (line["route"], line["status"]) == (None, 404)
    around.get("/healthz")
    assert lines() == []


@pytest.mark.std("B-25")
@pytest.mark.std("B-26")
def test_an_error_says_where_but_repeats_nothing_that_was_typed(
    around: Client, lines: Callable[[], list[dict[str, Any]]], caplog: pytest.LogCaptureFixture
) -> None:
    answer = around.get("/broken/one-time-token")
    assert answer.status_code == 500
    assert TYPED not in answer.content.decode()
    found = lines()
    assert [line["event"] for line in found] == ["Internal Server Error", "request"]
    assert {line["request"] for line in found} == {answer["X-Request-ID"]}
    assert [each["error"] for each in found[0]["errors"]] == ["builtins.LookupError", "builtins.ValueError"]
    assert found[0]["errors"][0]["places"][-1].startswith("tests/config/pages.py:")
    assert TYPED not in json.dumps(found)
    assert "one-time-token" not in json.dumps(found)


@pytest.mark.std("B-25")
def test_sign_ins_and_refusals_are_logged_without_what_was_typed(
    around: Client, user: User, lines: Callable[[], list[dict[str, Any]]]
) -> None:
    user.set_password("a cannula goes in quietly")
    user.save()
    around.login(username=user.email, password="a guess")
    around.login(username=user.email, password="a cannula goes in quietly")
    around.get("/out")
    found = [line for line in lines() if line["event"] != "request"]
    assert [line["event"] for line in found] == ["sign-in refused", "signed in", "signed out"]
    assert [line.get("user") for line in found] == [None, user.pk, user.pk]
    assert not re.search("guess|quietly|marsden", json.dumps(found))
    Client(enforce_csrf_checks=True).post("/form", {})
    refused = [line for line in lines() if line["event"] != "request"]
    assert refused[0]["event"] == "Forbidden (CSRF cookie not set.)"


def test_commands_keep_standard_output_for_their_answer(capfd: pytest.CaptureFixture[str]) -> None:
    logs.log.error("noted")
    captured = capfd.readouterr()
    assert (captured.out, json.loads(captured.err)["event"]) == ("", "noted")
