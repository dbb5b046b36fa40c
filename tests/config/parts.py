"""Tests that need a part each; not collected by themselves, test_skips.py runs them."""

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Page


def test_in_a_browser(page: "Page") -> None:
    assert page


def test_on_the_other_engine(postgresql_url: str) -> None:
    assert postgresql_url


@pytest.mark.xfail(reason="known")
def test_known_to_fail() -> None:
    raise AssertionError
