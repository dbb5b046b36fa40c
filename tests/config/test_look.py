"""The look: the palette's contrasts, what no template may hold, and the parts that screens are made of."""

import datetime
import re
from html.parser import HTMLParser
from itertools import product
from pathlib import Path
from typing import Any

import pytest
from django import forms
from django.conf import settings
from django.http import QueryDict
from django.template import engines
from django.test import Client, RequestFactory
from django.utils.datastructures import MultiValueDict

from audits import charts
from config.pages import ENTRIES, navigation
from credentials.rules.answers import Answer
from tests.config.look_pages import Bedside, Everything, Reason, Standing

ROOT = Path(__file__).resolve().parents[2]
CSS = (ROOT / "config/static/sited.css").read_text(encoding="utf-8")
TEMPLATES = sorted((ROOT / "templates").rglob("*.html"))
PAGES = [
    path
    for path in TEMPLATES
    if path.name != "base.html"
    and not path.name.startswith("_")
    and path.parent.name not in ("components", "tables", "errors")
]
TODAY = datetime.date(2026, 10, 3)


def rendered(text: str, **context: Any) -> str:
    return engines["django"].from_string("{% load sited %}" + text).render(context)


def words(html: str) -> str:
    """What is read, without the tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", html).split()).replace(" .", ".").replace(" ,", ",")


# --- palette ---


def palette(scheme: str) -> dict[str, str]:
    dark = CSS.index("prefers-color-scheme: dark")
    block = CSS[:dark] if scheme == "light" else CSS[dark : CSS.index("/* Type */")]
    light = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", CSS[:dark]))
    return {**light, **dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))}


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, 'contrast ratio' and 'relative luminance'."""

    def luminance(colour: str) -> float:
        parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
        red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_the_contrast_agrees_with_known_values() -> None:
    # 21:1 is WCAG's own maximum; that #767676 is the lightest grey that passes on white is from memory.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


@pytest.mark.std("C-10")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    ("front", "back"),
    [
        *product(("ink", "soft", "accent", "accent-deep", "stop"), ("paper", "sheet", "wash")),
        ("accent-ink", "accent"),
        ("accent-ink", "accent-deep"),
        ("paper", "ink"),
    ],
)
def test_text_stands_out_from_what_is_behind_it(scheme: str, front: str, back: str) -> None:
    colours = palette(scheme)
    assert contrast(colours[front], colours[back]) >= 4.5


@pytest.mark.std("C-10")
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("front", "back"), [*product(("edge", "accent", "soft", "ink"), ("paper", "sheet", "wash"))])
def test_edges_rings_and_marks_stand_out_from_what_is_behind_them(scheme: str, front: str, back: str) -> None:
    colours = palette(scheme)
    assert contrast(colours[front], colours[back]) >= 3


def test_both_schemes_name_the_same_colours_and_differ() -> None:
    light, dark = palette("light"), palette("dark")
    assert light.keys() == dark.keys()
    assert all(light[name] != dark[name] for name in light)


def test_a_chart_that_stands_alone_has_the_colours_of_the_light_page() -> None:
    light = palette("light")
    assert {f"--{name}": colour for name, colour in light.items()}.items() >= {
        name: colour for colour, name in charts._NAMES.items()
    }.items()


@pytest.mark.std("B-28")
def test_stylesheet_and_script_ask_for_nothing_from_elsewhere() -> None:
    script = (ROOT / "config/static/sited.js").read_text(encoding="utf-8")
    assert not re.search(r"@import|url\(|@font-face|https?:", CSS)
    assert not re.search(r"https?:|\beval\b|new Function|innerHTML|\.style\b", script)


# --- templates ---


@pytest.mark.std("B-15")
@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: str(path.relative_to(ROOT / "templates")))
def test_a_template_holds_no_style_script_or_address_of_elsewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert not re.search(r"\sstyle\s*=|<style|\son[a-z]+\s*=\s*[\"']|javascript:", text, re.IGNORECASE)
    assert not re.search(r"<script(?![^>]*\bsrc=)", text)
    assert not re.search(r"(?:src|href|action)=[\"'](?:https?:)?//", text)
    assert "|safe" not in text
    assert "{% autoescape off" not in text


@pytest.mark.std("C-19")
@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(ROOT / "templates")))
def test_a_page_stands_in_the_frame_and_has_a_title_and_one_heading(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert re.match(r"\{% extends \"(base|errors/plain)\.html\" %\}", text)
    assert re.search(r"\{% block title %\}.+?\{% endblock %\}", text)
    assert text.count("<h1") == 1


@pytest.mark.std("B-16")
@pytest.mark.std("F-03")
@pytest.mark.std("F-07")
@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: str(path.relative_to(ROOT / "templates")))
def test_a_form_that_is_posted_has_its_token_and_is_judged_by_us(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for tag, body in re.findall(r"(<form\b[^>]*>)(.*?)</form>", text, re.DOTALL):
        if 'method="post"' in tag:
            assert "{% csrf_token %}" in body
        assert 'method="dialog"' in tag or "novalidate" in tag or ("{% field" not in body and "{% fields" not in body)
    assert not re.search(r"<button[^>]*\sdisabled", text)


# --- the answer ---


@pytest.mark.parametrize(
    ("may_insert", "on", "more", "sentence"),
    [
        ("alone", TODAY, "", "Today Jonah Pell may insert alone."),
        ("in_room", TODAY, "", "Today Jonah Pell may insert with a supervisor in the room."),
        ("nearby", TODAY, "me=True", "Today you may insert with a supervisor nearby."),
        ("no", TODAY, "", "Today Jonah Pell may not insert on patients."),
        ("alone", TODAY, 'where="Ward 4 Tern"', "Today, on Ward 4 Tern, Jonah Pell may insert alone."),
        ("alone", datetime.date(2025, 1, 5), "", "On 5 January 2025 Jonah Pell could insert alone."),
        ("no", datetime.date(2025, 1, 5), "", "On 5 January 2025 Jonah Pell could not insert on patients."),
        (
            "alone",
            datetime.date(2027, 1, 5),
            "",
            "On 5 January 2027 Jonah Pell may insert alone, as things stand today.",
        ),
    ],
)
def test_the_answer_is_a_sentence(may_insert: str, on: datetime.date, more: str, sentence: str) -> None:
    html = rendered(
        '{% answer standing name="Jonah Pell" today=today ' + more + " %}",
        standing=Standing(may_insert, on),
        today=TODAY,
    )
    assert sentence in words(html)


def test_the_answer_gives_its_reasons_and_the_last_day_on_which_the_award_holds() -> None:
    standing = Standing(Answer.ALONE, TODAY, datetime.date(2026, 10, 30), (Reason("Renewal is <open>."),))
    html = rendered('{% answer standing name="Jonah Pell" today=today %}', standing=standing, today=TODAY)
    assert "Renewal is &lt;open&gt;." in html
    assert "Award through 29 October 2026." in words(html)
    assert Answer.ALONE.explained in html


def test_reasons_can_be_kept_from_those_who_may_not_see_them() -> None:
    standing = Standing(Answer.ALONE, TODAY, None, (Reason("A plan asks for it."),))
    html = rendered('{% answer standing name="J" today=today reasons=none %}', standing=standing, today=TODAY, none=())
    assert "A plan asks for it." not in html


@pytest.mark.std("C-10")
@pytest.mark.parametrize("answer", list(Answer))
def test_every_answer_has_a_mark_and_a_word(answer: Answer) -> None:
    html = rendered("{% may answer %}", answer=answer)
    css = answer.value.replace("_", "-")
    assert f'class="mark {css}"' in html
    assert words(html) == answer.words
    assert css == "in-room" or f".mark.{css} " in CSS


# --- days and figures ---


@pytest.mark.std("F-21")
@pytest.mark.parametrize(
    ("tag", "shown"),
    [
        ("{% day d %}", "3 October 2026"),
        ('{% day d "short" %}', "3 Oct 2026"),
        ('{% day none without="not set" %}', "not set"),
        ("{% through d %}", "2 October 2026"),
        ("{% through none %}", "no end set"),
        ('{% moment t "Australia/Adelaide" %}', "5 October 2026, 00:35"),
        ("{% moment t %}", "4 October 2026, 14:05 UTC"),
    ],
)
def test_days_and_moments_are_written_out(tag: str, shown: str) -> None:
    moment = datetime.datetime(2026, 10, 4, 14, 5, tzinfo=datetime.UTC)
    assert words(rendered(tag, d=TODAY, t=moment, none=None)) == shown


@pytest.mark.std("F-20")
def test_the_drawn_interval_says_the_same_in_words_and_shows_a_target_only_from_twenty_on() -> None:
    many = rendered("{% interval 31 47 0.8 %}")
    assert 'aria-label="31 of 47: 66%, and with 95% confidence between 52 and 78%; the target is 80%"' in many
    assert 'class="target"' in many
    few = rendered("{% interval 9 11 0.8 %}")
    assert 'class="target"' not in few
    assert "too few to judge" in few
    assert "<svg" not in rendered("{% interval 2 3 0.8 %}")
    # The point stands at 66% of a line from 5 to 115.
    assert 'cx="77.6"' in many


def test_what_is_needed_is_said_in_numbers() -> None:
    assert words(rendered('{% need 4 6 "Supervised insertions" %}')) == "Supervised insertions have 4, need 6"


# --- forms ---


class Ids(HTMLParser):
    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    @property
    def ids(self) -> set[str | None]:
        return {attrs["id"] for _, attrs in self.tags if "id" in attrs}


def sent(form: type[forms.Form], **values: str) -> forms.Form:
    data = QueryDict(mutable=True)
    data.update(values)
    return form(data, MultiValueDict())


@pytest.mark.std("C-02")
@pytest.mark.std("C-03")
@pytest.mark.parametrize("form", [sent(Everything), sent(Bedside)], ids=["everything", "bedside"])
def test_every_control_is_labelled_and_tied_to_its_hint_and_mistake(form: forms.Form) -> None:
    html = rendered("{% fields form %}", form=form)
    page = Ids(html)
    labels = {attrs.get("for") for tag, attrs in page.tags if tag == "label"}
    for tag, attrs in page.tags:
        if tag in ("input", "select", "textarea"):
            assert attrs["id"] in labels
        for described in (attrs.get("aria-describedby") or "").split():
            assert described in page.ids
    for name, errors in form.errors.items():
        control = next(attrs for _, attrs in page.tags if attrs.get("name") == name)
        assert control["aria-invalid"] == "true"
        assert f"id_{name}_error" in page.ids
        assert errors[0] in html or errors[0].replace("'", "&#x27;") in html


@pytest.mark.std("C-03")
def test_the_summary_links_to_a_control_that_is_there() -> None:
    form = sent(Everything, count="0", why="x" * 21)
    form.add_error(None, "This person has no placement on that day.")
    html = rendered('{% include "components/problems.html" %}{% fields form %}', form=form, faulty=[form])
    page = Ids(html)
    targets = [str(attrs["href"])[1:] for tag, attrs in page.tags if tag == "a"]
    assert len(targets) == sum(len(errors) for errors in form.errors.values()) - 1
    assert set(targets) <= page.ids
    assert "Not saved: 6 things to mend" in words(html)
    assert "<b>This person has no placement on that day.</b>" in html


@pytest.mark.std("F-04")
def test_mistakes_are_said_as_what_to_do() -> None:
    errors = [text for messages in sent(Everything, count="0", why="x" * 21).errors.values() for text in messages]
    errors += [text for messages in sent(Bedside, gauge="21").errors.values() for text in messages]
    assert errors
    assert all(re.match(r"(Enter|Choose|Tick)\b", text) for text in errors), errors
    assert not any(re.search(r"invalid|required|valid|oops|forbidden", text, re.IGNORECASE) for text in errors)


@pytest.mark.std("F-01")
def test_what_may_be_left_out_says_so_and_a_filter_does_not() -> None:
    form = Everything()
    assert words(rendered("{% field form.at %}", form=form)).startswith("At (optional)")
    assert "(optional)" not in rendered("{% field form.start %}", form=form)
    assert "(optional)" not in rendered("{% field form.at bare=True %}", form=form)


@pytest.mark.std("C-02")
def test_a_choice_is_a_group_of_radio_buttons_with_a_legend() -> None:
    html = rendered("{% field form.gauge hubs=True %}", form=Bedside())
    page = Ids(html)
    assert [tag for tag, _ in page.tags].count("fieldset") == 1
    assert "<legend>Gauge</legend>" in html
    assert [attrs["value"] for tag, attrs in page.tags if tag == "input"] == ["18", "20", "22", "24"]
    assert [attrs["value"] for tag, attrs in page.tags if "checked" in attrs] == ["20"]
    assert 'class="pick by-4"' in html
    assert 'class="tile hub-22"' in html


# --- frame ---


def test_the_line_that_says_where_a_page_stands_is_left_out_where_it_is_empty() -> None:
    assert rendered("{% filter trail %} {% endfilter %}") == ""
    assert "<li>Ward</li>" in rendered("{% filter trail %}<li>Ward</li>{% endfilter %}")


def test_nobody_who_is_not_signed_in_is_shown_a_navigation() -> None:
    assert navigation(RequestFactory().get("/")) == []


@pytest.mark.parametrize(
    ("path", "current"), [("/people/some/page", "People"), ("/people/", "People"), ("/", "Today"), ("/account/", None)]
)
def test_the_entry_that_leads_to_a_page_is_marked(
    path: str, current: str | None, monkeypatch: pytest.MonkeyPatch, rf: RequestFactory
) -> None:
    urls = {name: "/" if name == "today" else f"/{name.replace('_', '-')}/" for name, _ in ENTRIES}
    monkeypatch.setattr("config.pages.may_open", lambda request, name: name != "rules")
    monkeypatch.setattr("config.pages._url_of", urls.__getitem__)
    request = rf.get(path)
    request.user = type("Somebody", (), {"is_authenticated": True})()  # type: ignore[assignment]
    links = navigation(request)
    assert [link.label for link in links] == [
        "Today",
        "Log",
        "To sign",
        "Observations",
        "Who can",
        "People",
        "Reviews",
        "Set up",
    ]
    assert [link.label for link in links if link.is_current] == ([current] if current else [])
    assert [link.label for link in navigation(request, "reviews") if link.is_current] == ["Reviews"]


@pytest.mark.std("B-26")
@pytest.mark.parametrize("name", ["400.html", "403_csrf.html", "500.html"])
def test_an_error_page_needs_neither_a_request_nor_the_database(name: str) -> None:
    html = engines["django"].get_template(name).render({})
    assert "<h1>" in html
    assert settings.STATIC_URL in html


def test_a_page_that_is_not_there_says_what_that_means_for_a_patient(client: Client, db: None) -> None:
    answer = client.get("/no-such-page/")
    assert answer.status_code == 404
    assert "treat them as not confirmed" in answer.content.decode()
