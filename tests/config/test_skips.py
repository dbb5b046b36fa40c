"""A missing part is named; where nothing may be missing, it fails the run."""

import os
import subprocess
import sys

from tests.config.conftest import ROOT


def outcome(**environment: str) -> subprocess.CompletedProcess[str]:
    """Run the tests of parts.py on a machine without those parts."""
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-rs", "tests/config/parts.py"],
        cwd=ROOT,
        env={"PATH": os.environ["PATH"], "CHROMIUM": "/no/such/browser"} | environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_missing_part_is_skipped_and_named() -> None:
    result = outcome()
    assert result.returncode == 0, result.stdout
    assert "2 skipped, 1 xfailed" in result.stdout
    assert "Chromium is missing: install it, or name it in CHROMIUM (/no/such/browser)" in result.stdout
    assert "PostgreSQL is missing: give a server's address in SITED_TEST_POSTGRESQL" in result.stdout


def test_no_skip_is_taken_where_none_is_allowed() -> None:
    result = outcome(SITED_NO_SKIP="1")
    assert result.returncode == 1, result.stdout
    assert "1 xfailed, 2 errors" in result.stdout
    assert "SITED_NO_SKIP=1 forbids this skip. Skipped: Chromium is missing" in result.stdout
