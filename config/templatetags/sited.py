"""The parts that screens are made of. `{% load sited %}`; how to write a screen is told in DEVELOPERS.md."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django import template
from django.forms import BaseForm, BaseFormSet, BoundField
from django.forms.widgets import CheckboxInput, CheckboxSelectMultiple, RadioSelect
from django.template.loader import render_to_string
from django.utils.html import format_html
from django.utils.safestring import SafeString

from audits.charts import Table
from audits.rates import rate_of
from config.pages import Link, in_what_role, navigation, seconds_left
from credentials.rules.answers import Answer, Status
from people.clock import in_words, now

register = template.Library()


# Days


@register.simple_tag
def day(value: date | None, form: str = "long", *, without: str = "") -> str:
    """A local day for reading: 3 October 2026, or 3 Oct 2026 where `form` is 'short'. No day is `without`."""
    if value is None:
        return without
    words = in_words(value) if form == "long" else f"{value.day} {value:%b %Y}"
    return format_html('<time datetime="{}">{}</time>', f"{value:%Y-%m-%d}", words)


@register.simple_tag
def moment(value: datetime | None, zone: str = "UTC") -> str:
    """A moment on the clocks of `zone`: 3 October 2026, 14:05; UTC says so."""
    if value is None:
        return ""
    local = value.astimezone(ZoneInfo(zone))
    words = f"{in_words(local.date())}, {local:%H:%M}" + (" UTC" if zone == "UTC" else "")
    return format_html('<time datetime="{}">{}</time>', local.isoformat(timespec="minutes"), words)


@register.simple_tag
def through(until_day: date | None, *, without: str = "no end set") -> str:
    """The last day on which something holds that no longer holds on `until_day`."""
    return without if until_day is None else day(until_day - timedelta(days=1))


@register.simple_tag
def now_here() -> str:
    """The moment at which the page was made, for a printed sheet."""
    return moment(now())


# Answers


@register.simple_tag
def may(answer: Answer | str) -> str:
    """Mark and words of an answer, for a table or a list."""
    found = Answer(answer)
    return format_html(
        '<span class="can {}"><span class="mark {}"></span>{}</span>', _css(found), _css(found), found.words
    )


@register.simple_tag
def status_words(status: str) -> str:
    return Status(status).words


@register.inclusion_tag("components/answer.html")
def answer(
    standing: Any,
    *,
    name: str = "",
    today: date,
    me: bool = False,
    where: str = "",
    of: str = "",
    reasons: Iterable[Any] | None = None,
) -> dict[str, Any]:
    """The answer block: the sentence, its reasons, the last day.

    `standing` has `may_insert`, `on`, and may have `expires_on` (the first day on which the award no longer holds) and
    `reasons` with a `text` each; `reasons=()` leaves them out for those who may not see them.
    """
    found = Answer(standing.may_insert)
    expires = getattr(standing, "expires_on", None)
    last_day = expires - timedelta(days=1) if expires and expires > standing.on else None
    told = [getattr(r, "text", r) for r in (getattr(standing, "reasons", ()) if reasons is None else reasons)]
    return {
        "css": _css(found),
        "of": of,
        "before": _beginning(found, name=name, on=standing.on, today=today, me=me, where=where),
        "words": "not insert on patients" if found is Answer.NO else found.words,
        "after": ", as things stand today" if standing.on > today else "",
        "explained": found.explained if standing.on >= today else "",
        "reasons": told,
        # Once is enough, where a reason names the day.
        "last_day": None if last_day and any(in_words(last_day) in text for text in told) else last_day,
    }


def _beginning(found: Answer, *, name: str, on: date, today: date, me: bool, where: str) -> str:
    when = "Today" if on == today else f"On {in_words(on)}"
    place = f", on {where}," if where else ""
    who = "you" if me else name
    if on < today:
        could = "could" if found is Answer.NO else "could insert"
    else:
        could = "may" if found is Answer.NO else "may insert"
    return f"{when}{place} {who} {could}"


def _css(found: Answer) -> str:
    return found.value.replace("_", "-")


# Figures


@register.simple_tag
def rate(successes: int, trials: int) -> str:
    """A rate with its count and interval in one sentence."""
    return rate_of(successes, trials).words


@register.inclusion_tag("components/interval.html")
def interval(successes: int, trials: int, target: float | None = None) -> dict[str, Any]:
    """The interval drawn on a line from 0 to 100%, with the same in words; no drawing under 5, no target under 20."""
    found = rate_of(successes, trials)
    drawn: dict[str, Any] = {"rate": found, "words": found.words}
    if found.share is None or found.lower is None or found.upper is None:
        return drawn
    shown = target if target is not None and not found.is_few else None
    if shown is not None:
        drawn["words"] += f"; the target is {shown:.0%}"
    return drawn | {
        "lower": _across(found.lower),
        "upper": _across(found.upper),
        "share": _across(found.share),
        "target": None if shown is None else _across(shown),
    }


def _across(fraction: float) -> str:
    """Where a fraction lies on a drawing 120 wide with a margin of 5."""
    return f"{5 + 110 * fraction:.1f}"


@register.inclusion_tag("components/chart.html")
def chart(svg: str, caption: str, table: Table | None = None) -> dict[str, Any]:
    """A drawing of audits.charts with its caption and, folded, the same numbers as a table."""
    return {"svg": svg, "caption": caption, "table": table}


@register.inclusion_tag("components/need.html")
def need(have: int, wanted: int, label: str) -> dict[str, Any]:
    """A line of a `<dl class="need">`: have 4, need 6."""
    return {"have": have, "wanted": wanted, "label": label, "is_met": have >= wanted}


# Forms


@register.simple_tag
def field(
    bound: BoundField, *, columns: int | None = None, css: str = "", hubs: bool = False, bare: bool = False
) -> SafeString:
    """Label, hint, what to mend, and the control; a group of radio buttons or check boxes becomes tiles.

    `columns` (1 to 4) sets the tiles side by side; without it, their words decide. `hubs` marks the tiles of gauges
    with the colour of the hub. `bare` leaves '(optional)' out where nothing is asked of anybody, as in a filter.
    """
    if bound.is_hidden:
        return SafeString(bound)
    widget = bound.field.widget
    is_group = isinstance(widget, RadioSelect | CheckboxSelectMultiple)
    context = {
        "field": bound,
        "css": css,
        "is_group": is_group,
        "is_check": isinstance(widget, CheckboxInput),
        "is_optional": not bare and not bound.field.required and not isinstance(widget, CheckboxInput),
        "described": " ".join(
            part
            for part, wanted in (
                (f"{bound.auto_id}_helptext", bound.help_text),
                (f"{bound.auto_id}_error", bound.errors),
            )
            if wanted
        ),
    }
    if is_group:
        tiles = list(bound.subwidgets)
        context |= {"tiles": tiles, "columns": columns or _columns(str(t.choice_label) for t in tiles), "hubs": hubs}
    return render_to_string("components/field.html", context)


@register.simple_tag
def fields(form: BaseForm) -> SafeString:
    """Every field of a form, in order, and the hidden ones."""
    return SafeString("\n".join(field(bound) for bound in (*form.visible_fields(), *form.hidden_fields())))


def _columns(labels: Iterable[str]) -> int:
    longest = max((len(label) for label in labels), default=0)
    return 4 if longest <= 4 else 3 if longest <= 8 else 2 if longest <= 14 else 1


@register.simple_tag
def problems(faulty: Iterable["BaseForm | BaseFormSet[Any]"]) -> list[dict[str, str]]:
    """What is to be mended in these forms, each with the id of the control that a link goes to, if there is one."""
    found: list[dict[str, str]] = []
    for form in faulty:
        if isinstance(form, BaseFormSet):
            found += [{"target": "", "text": str(text)} for text in form.non_form_errors()]
        else:
            found += [
                {"target": _target(form, name), "text": str(text)}
                for name, errors in form.errors.items()
                for text in errors
            ]
    return found


def _target(form: BaseForm, name: str) -> str:
    if name not in form.fields:
        return ""
    bound = form[name]
    first = isinstance(bound.field.widget, RadioSelect | CheckboxSelectMultiple)
    return f"{bound.auto_id}_0" if first else bound.id_for_label or bound.auto_id


# Frame


@register.simple_tag(takes_context=True)
def links(context: Mapping[str, Any]) -> list[Link]:
    """The entries of the navigation for whoever asks; none on a page without a request."""
    request = context.get("request")
    return navigation(request, context.get("section")) if request else []


@register.simple_tag(takes_context=True)
def role(context: Mapping[str, Any]) -> str:
    return in_what_role(context["request"])


@register.filter
def trail(items: str) -> SafeString | str:
    """The list items of a block as the line that says where a page stands; nothing for none."""
    if not items.strip():
        return ""
    return format_html('<nav class="trail" aria-label="Where you are"><ol>{}</ol></nav>', SafeString(items.strip()))


@register.simple_tag(takes_context=True)
def session_seconds(context: Mapping[str, Any]) -> int:
    """Seconds until the session is over without another request."""
    return seconds_left(context["request"])
