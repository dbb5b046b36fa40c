"""What every test may use: the rule for skips, a browser that complains, axe, the address of a PostgreSQL server."""

import importlib.util
import os
import shutil
from collections.abc import Callable, Generator
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page
    from pytest_django.live_server_helper import LiveServer

pytest_plugins = ["tests.guard_plugin"]

# A busy machine draws slowly: that is no fault of a test. CI looks at the same examples each time.
settings.register_profile(
    "sited", deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=bool(os.environ.get("CI"))
)
settings.load_profile("sited")

# Milliseconds that a browser test waits for what must come: it ends only what never does.
LONGEST_WAIT = 90_000
CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
# WCAG 2.2 up to AA and axe's own advice; target-size runs only because wcag22aa is asked for.
AXE_TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")


def pytest_configure(config: pytest.Config) -> None:
    from django.conf import settings

    # Playwright runs an event loop in the thread of the test, and Django would then refuse its database there.
    os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
    # Two cores that several processes share may need more than the usual five seconds.
    if importlib.util.find_spec("playwright"):
        from playwright.sync_api import expect

        expect.set_options(timeout=LONGEST_WAIT)
    # For the processes that tests start: without it each would keep a key beside the tests' database.
    os.environ.setdefault("SECRET_KEY", settings.SECRET_KEY)


# --- skips: a missing part is named, and SITED_NO_SKIP=1 makes any skip a failure ---


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    missing = (
        None if shutil.which(CHROMIUM) else f"Chromium is missing: install it, or name it in CHROMIUM ({CHROMIUM})"
    )
    for item in items:
        if {"browser", "context", "page"} & set(getattr(item, "fixturenames", ())):
            item.add_marker("browser")
            if missing:
                item.add_marker(pytest.mark.skip(reason=missing))


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    _forbid_skip(report)
    return report


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    _forbid_skip(report)
    return report


def _forbid_skip(report: pytest.TestReport | pytest.CollectReport) -> None:
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("SITED_NO_SKIP") == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"SITED_NO_SKIP=1 forbids this skip. {reason}"


@pytest.fixture(scope="session")
def postgresql_url() -> str:
    """The address of a PostgreSQL server, for a test that needs it whatever engine the others run on."""
    for name in ("SITED_TEST_POSTGRESQL", "DATABASE_URL"):
        if os.environ.get(name, "").startswith("postgres"):
            return os.environ[name]
    pytest.skip("PostgreSQL is missing: give a server's address in SITED_TEST_POSTGRESQL")


# --- browser: live_server answers at http://localhost, where Chromium takes Secure cookies ---


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    return {**browser_type_launch_args, "executable_path": shutil.which(CHROMIUM)}


@pytest.fixture
def context(context: "BrowserContext") -> "BrowserContext":
    context.set_default_timeout(LONGEST_WAIT)
    return context


@pytest.fixture
def complaints(page: "Page", live_server: "LiveServer") -> list[str]:
    """What no page may do, as it happens: errors on the console, where a violated policy is one; requests elsewhere."""
    found: list[str] = []
    here = urlsplit(live_server.url).netloc

    def note_request(url: str) -> None:
        parts = urlsplit(url)
        if parts.scheme not in ("data", "blob", "about") and parts.netloc != here:
            found.append(f"request to {url}")

    page.on("console", lambda message: found.append(f"console: {message.text}") if message.type == "error" else None)
    page.on("pageerror", lambda error: found.append(f"script: {error}"))
    page.on("request", lambda request: note_request(request.url))
    return found


@pytest.fixture(scope="session")
def axe_script() -> str:
    spec = importlib.util.find_spec("axe_playwright_python")
    origin = spec and spec.origin
    assert origin, "axe-playwright-python is missing: install requirements-test.lock"
    return (Path(origin).parent / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture
def axe(page: "Page", axe_script: str) -> Callable[[], list[str]]:
    """Call it on a page as it stands: a line for each element that breaks a rule, with the mend; none is the aim."""

    def violations() -> list[str]:
        page.wait_for_load_state()
        page.evaluate(axe_script)
        options = {"runOnly": {"type": "tag", "values": list(AXE_TAGS)}}
        result = page.evaluate("options => axe.run(document, options)", options)
        return [
            f"{rule['id']}: {node['html']}: {node['failureSummary']}"
            for rule in result["violations"]
            for node in rule["nodes"]
        ]

    return violations
