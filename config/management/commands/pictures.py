"""Take the pictures that README shows: five pages of a demo register, made for it and thrown away."""

import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser

from config.demo.groundplan import AREAS, DOMAIN
from config.demo.leads import EDUCATOR, MANAGER, SECRET
from config.demo.names import email
from config.demo.stories import STORIES

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

INTO = settings.BASE_DIR / "fixtures" / "pictures"
# A day of its own, so that the same pictures come out on any day.
TODAY = "2026-10-05"
DESK, TALL, PHONE = (1120, 840), (1120, 1240), (390, 1120)
COLOURS = 96  # ink, paper, one accent and their edges need no more
LARGEST = 150_000  # bytes
PATIENCE = 900  # seconds for the register to be filled


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A page as somebody sees it: from `path` by the links with these words, with these tiles chosen."""

    name: str
    who: str
    path: str
    size: tuple[int, int] = DESK
    dark: bool = False
    then: tuple[str, ...] = ()
    tiles: tuple[str, ...] = ()


def _story(key: str) -> str:
    return email(STORIES[key].name, DOMAIN)


FALLING = STORIES["falling"].name
PROPOSED = f"Rules of {AREAS['plover'].name}, version 1"
PICTURES = (
    Picture(name="person", who=EDUCATOR.email, path=f"/people/?name={quote(FALLING)}", size=TALL, then=(FALLING,)),
    Picture(name="who-can", who=_story("joined"), path="/who-can/"),
    Picture(name="log", who=_story("close"), path="/log/", size=PHONE,
            tiles=("Working first time", "20", "Forearm", "Adult")),
    Picture(name="review", who=EDUCATOR.email, path=f"/reviews/?name={quote(FALLING)}", then=(FALLING,), dark=True),
    Picture(name="rules", who=MANAGER.email, path="/rules/", then=(PROPOSED,)),
)  # fmt: skip


class Command(BaseCommand):
    help = f"Fill a demo register in a scratch database and take README's pictures of it into {INTO}."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--only", nargs="+", choices=[each.name for each in PICTURES], metavar="NAME")
        parser.add_argument("--register", type=Path, metavar="FILE", help="take them of this filled demo register")

    def handle(self, *args: Any, **options: Any) -> None:
        chosen = [each for each in PICTURES if each.name in (options["only"] or [each.name])]
        INTO.mkdir(parents=True, exist_ok=True)
        with _chromium() as browser, tempfile.TemporaryDirectory(prefix="sited-pictures-") as scratch:
            register = options["register"] or Path(scratch) / "register.sqlite3"
            with self._served(register) as address:
                for each in chosen:
                    size = _keep(INTO / f"{each.name}.png", _taken(browser, address, each))
                    self.stdout.write(f"{each.name}.png: {size // 1000} kB")

    @contextmanager
    def _served(self, register: Path) -> Iterator[str]:
        """The address of a demo register that runs in a process of its own."""
        port = _free_port()
        command = [sys.executable, "manage.py", "demo", "--today", TODAY, "--port", str(port)]
        process = subprocess.Popen(  # noqa: S603 - this project's own command
            command,
            cwd=settings.BASE_DIR,
            env={**settings.SURROUNDINGS, "SITED_ENV": "demo", "SITED_DATABASE": str(register.absolute())},
            stdout=subprocess.DEVNULL,
        )
        try:
            self.stdout.write("Filling a demo register: a minute or two.")
            _wait_for(f"http://localhost:{port}/healthz", process)
            yield f"http://localhost:{port}"
        finally:
            process.terminate()
            process.wait(timeout=30)


@contextmanager
def _chromium() -> Iterator["Browser"]:
    try:
        from playwright.sync_api import Error, sync_playwright
    except ImportError:
        raise CommandError("playwright is missing: install requirements-test.lock.", returncode=2) from None
    path = shutil.which(settings.CHROMIUM)
    if path is None:
        raise CommandError("Chromium is missing: install it, or name it in CHROMIUM.", returncode=2)
    with sync_playwright() as playwright:
        try:
            browser = playwright.chromium.launch(executable_path=path)
        except Error as error:
            raise CommandError(f"Chromium does not start: {error.message.splitlines()[0]}", returncode=2) from None
        yield browser
        browser.close()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("localhost", 0))
        return int(probe.getsockname()[1])


def _wait_for(url: str, process: subprocess.Popen[bytes]) -> None:
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        if process.poll() is not None:
            raise CommandError(f"The demo ended with status {process.returncode} before it served.")
        try:
            with urllib.request.urlopen(url, timeout=5):  # noqa: S310 - http on this machine
                return
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            time.sleep(0.5)
    raise CommandError(f"The demo was not ready after {PATIENCE} seconds.")


def _taken(browser: "Browser", address: str, picture: Picture) -> bytes:
    """The page as a picture, twice as fine as its size on a phone."""
    width, height = picture.size
    context = browser.new_context(
        viewport={"width": width, "height": height},
        device_scale_factor=2 if picture.size == PHONE else 1.5,
        color_scheme="dark" if picture.dark else "light",
        reduced_motion="reduce",
    )
    try:
        page = context.new_page()
        _sign_in(page, address, picture.who)
        page.goto(address + picture.path)
        for words in picture.then:
            with page.expect_navigation():
                page.get_by_role("link", name=words, exact=True).first.click()
        for words in picture.tiles:
            page.locator("main label.tile", has_text=re.compile(f"^{words}$")).first.click()
        page.evaluate("window.scrollTo(0, 0)")
        return page.screenshot()
    finally:
        context.close()


def _sign_in(page: "Page", address: str, who: str) -> None:
    page.goto(f"{address}/sign-in/")
    page.fill("input[name=username]", who)
    page.fill("input[name=password]", SECRET)
    page.click("main button")
    page.wait_for_url(lambda url: "/sign-in/" not in url)


def _keep(path: Path, png: bytes) -> int:
    """Write the picture with few colours; how many bytes it has. Raises CommandError if that is too many."""
    from PIL import Image

    small = BytesIO()
    image = Image.open(BytesIO(png)).convert("RGB").quantize(COLOURS, dither=Image.Dither.NONE)
    image.save(small, "PNG", optimize=True)
    if small.tell() > LARGEST:
        raise CommandError(f"{path.name} has {small.tell():,} bytes; {LARGEST:,} is the most.")
    path.write_bytes(small.getvalue())
    return small.tell()
