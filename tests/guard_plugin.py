"""Lets the tests do what nobody else may: flush guarded tables between two tests, and move the clock anywhere."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.core.management.commands import flush

from ledger import clock, guarding


@pytest.fixture(autouse=True, scope="session")
def _guard_lifted_around_flush() -> Iterator[None]:
    original = flush.Command.handle

    def handle(self: flush.Command, **options: Any) -> None:
        with guarding.lifted(options["database"]):
            original(self, **options)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(flush.Command, "handle", handle)
        yield


@pytest.fixture(autouse=True)
def _clock_free_to_move(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """`ledger.clock.at(...)` works in every test but those marked `real_clock`."""
    if not request.node.get_closest_marker("real_clock"):
        monkeypatch.setattr(clock, "_may_move", lambda: True)


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "real_clock: the clock refuses to be moved, as it does outside of tests")
