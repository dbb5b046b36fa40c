"""The command that takes README's pictures, as far as it goes without a demo register."""

import re
import sys
from io import BytesIO
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from PIL import Image

from config.management.commands import pictures


def test_readme_shows_every_picture_with_words_for_who_cannot_see_it() -> None:
    readme = (settings.BASE_DIR / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[([^\]]+)\]\(fixtures/pictures/([\w-]+)\.png\)", readme)
    assert sorted(name for _, name in shown) == sorted(each.name for each in pictures.PICTURES)
    assert all(len(words) > 40 for words, _ in shown)


def test_every_picture_is_there_and_small() -> None:
    for each in pictures.PICTURES:
        path = pictures.INTO / f"{each.name}.png"
        assert path.stat().st_size <= pictures.LARGEST, path
        with Image.open(path) as image:
            assert image.width / image.height == pytest.approx(each.size[0] / each.size[1], rel=0.01)


def test_without_playwright_one_line_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "playwright.sync_api", None)
    with pytest.raises(CommandError, match=r"^playwright is missing: install requirements-test\.lock\.$") as refused:
        call_command("pictures")
    assert refused.value.returncode == 2


def test_without_chromium_one_line_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(settings, "CHROMIUM", str(tmp_path / "nothing"))
    with pytest.raises(CommandError, match=r"^Chromium is missing: install it, or name it in CHROMIUM\.$"):
        call_command("pictures")


def test_a_picture_that_is_too_large_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = BytesIO()
    Image.new("RGB", (64, 64), "#faf7f1").save(plain, "PNG")
    assert pictures._keep(tmp_path / "plain.png", plain.getvalue()) == (tmp_path / "plain.png").stat().st_size
    monkeypatch.setattr(pictures, "LARGEST", 10)
    with pytest.raises(CommandError, match=r"large\.png has \d+ bytes; 10 is the most"):
        pictures._keep(tmp_path / "large.png", plain.getvalue())
    assert not (tmp_path / "large.png").exists()
