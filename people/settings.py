"""Local settings of a unit: dated, inherited by all below, each with its meaning in words."""

import json
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

from django.db import transaction

from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import stale
from people.access import Right, require
from people.clock import in_words
from people.models import Setting, Unit, User
from people.problems import problem
from people.tree import Tree, tree

Parse = Callable[[str], Any]


@dataclass(frozen=True)
class Name:
    """A setting: how its text is read (to a value that JSON holds), what holds without one, what it means."""

    parse: Parse
    default: Any
    title: str
    words: str
    choices: tuple[tuple[str, str], ...] = ()
    about_procedure: bool = False  # needs a procedure's code
    unit_of: str = ""  # what a number counts


def choice(*allowed: str) -> Parse:
    def parse(text: str) -> str | None:
        if text not in allowed:
            raise ValueError("Choose one of: " + ", ".join(each or "(none)" for each in allowed) + ".")
        return text or None

    return parse


def whole(low: int, high: int) -> Parse:
    def parse(text: str) -> int:
        if not text.isascii() or not text.isdigit() or not low <= int(text) <= high:
            raise ValueError(f"Give a whole number from {low} to {high}.")
        return int(text)

    return parse


def day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise ValueError("Give a date as year-month-day, such as 2026-03-01.") from None


_BASES = (
    ("every_insertion", "Every insertion"),
    ("fortnight", "A logging fortnight each quarter"),
    ("tally", "Shift tally only"),
)
_CEILINGS = (
    ("", "No ceiling"),
    ("nearby", "Supervisor quickly available"),
    ("in_room", "Supervisor in the room"),
    ("no", "Not on patients"),
)


def _ceiling(kind: str, default: str | None) -> Name:
    return Name(
        choice(*(code for code, _ in _CEILINGS)),
        default,
        f"Ceiling for {kind}",
        f"The most that a placement as {kind} allows on this unit, whatever is held elsewhere.",
        choices=_CEILINGS,
    )


NAMES: dict[str, Name] = {
    "logging_basis": Name(
        choice(*(code for code, _ in _BASES)),
        "every_insertion",
        "Logging basis",
        "How completely holders log here. Rate and drift are worked out only where every insertion is logged.",
        choices=_BASES,
    ),
    "fortnight_begins": Name(
        whole(1, 77),
        1,
        "Logging fortnight begins",
        "On which day of each quarter, counted from 1, a logging fortnight begins: 1 is 1 January, 1 April, 1 July and "
        "1 October. It lasts 14 days, and in them every insertion is logged.",
    ),
    "tally_within_days": Name(
        whole(1, 90),
        14,
        "Shift tally within",
        "For so many days back a shift tally may be noted or changed.",
        unit_of="days",
    ),
    "start_day": Name(
        day,
        None,
        "Start day",
        "From this day the entries of the unit are complete for the procedure; nothing missing before it is evidence.",
        about_procedure=True,
    ),
    "ceiling_student": _ceiling("student", "nearby"),
    "ceiling_agency": _ceiling("agency", None),
    "ceiling_bank": _ceiling("bank", None),
    "ceiling_locum": _ceiling("locum", None),
    "ceiling_employed": _ceiling("employed", None),
    "stand_down_days": Name(
        whole(1, 14),
        3,
        "Stand-down",
        "A stand-down ends by itself at the end of this many days after its own, unless an educator decides before.",
        unit_of="days",
    ),
    "sign_within_days": Name(
        whole(1, 180),
        30,
        "Countersign within",
        "Later than this after the insertion, only an educator may accept it, on other evidence.",
        unit_of="days",
    ),
    "late_after_days": Name(
        whole(1, 90), 7, "Late entry after", "An entry made later than this after the insertion is marked late.",
        unit_of="days",
    ),
    "dispute_days": Name(
        whole(1, 90),
        14,
        "Dispute decided within",
        "A dispute that nobody decided by then returns the entry to the safety figures.",
        unit_of="days",
    ),
    "reply_days": Name(
        whole(1, 90), 14, "Reply within", "How long the person has to reply before a review is worked through.",
        unit_of="days",
    ),
    "cover_needed": Name(
        whole(0, 500),
        None,
        "Cover needed",
        "How many of its own people who may insert alone a unit needs. Each unit below without a number of its own "
        "needs as many. It changes no answer: the year ahead shows where it will be missing.",
        about_procedure=True,
        unit_of="people",
    ),
    "supervisors_needed": Name(
        whole(0, 100),
        None,
        "Supervisors needed",
        "How many people who may supervise a unit needs; each unit below likewise. It changes no answer.",
        about_procedure=True,
        unit_of="people",
    ),
    "second_rater_percent": Name(
        whole(0, 100), 10, "Second rater", "For so many observations of a hundred a second rater is asked for.",
        unit_of="per cent",
    ),
    "small_cell": Name(
        whole(1, 50), 5, "Small cells", "Figures of a unit that rest on fewer people than this are not shown.",
        unit_of="people",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class InEffect:
    """A value, and where it comes from: the unit and day, or neither if it is the default."""

    value: Any
    unit: int | None = None
    from_day: date | None = None


@dataclass(frozen=True, eq=False)
class Book:
    """All settings as known at one moment."""

    rows: tuple[Setting, ...]

    @cached_property
    def _by_key(self) -> Mapping[tuple[int, str, str], list[Setting]]:
        found = defaultdict(list)
        for row in sorted(self.rows, key=lambda row: row.from_day):
            found[row.unit_id, row.name, row.about].append(row)
        return found

    @cached_property
    def _days(self) -> Mapping[int, frozenset[date]]:
        found = defaultdict(set)
        for row in self.rows:
            found[row.unit_id].add(row.from_day)
        return {unit: frozenset(days) for unit, days in found.items()}

    def value(self, name: str, above: Sequence[int], about: str = "", *, on: date) -> Any:
        """What holds at the first of these units (self first, root last: `Tree.above`) on this day, or the default.

        The nearest unit with a value in effect wins; there, one about this very procedure before one about all.
        Raises KeyError for a name that is no setting.
        """
        return self.in_effect(name, above, about, on=on).value

    def in_effect(self, name: str, above: Sequence[int], about: str = "", *, on: date) -> InEffect:
        """The same, with the unit and day that it comes from."""
        default = NAMES[name].default
        for unit in above:
            for narrow in dict.fromkeys((about, "")):
                rows = self._by_key.get((unit, name, narrow), ())
                row = next((row for row in reversed(rows) if row.from_day <= on), None)
                if row is not None:
                    return InEffect(json.loads(row.value), unit, row.from_day)
        return InEffect(default)

    def changes_after(self, above: Sequence[int], on: date) -> set[date]:
        """The days after this one on which any setting of these units changes."""
        return {day for unit in above for day in self._days.get(unit, ()) if day > on}


def book(known: int | None = None) -> Book:
    """The settings as known now, or once act number `known` had been recorded. One query."""
    return Book(tuple(Setting.objects.known(known).order_by("id")))


def set_setting(*, actor: User, unit: Unit, name: str, value: str, about: str = "", from_day: date) -> Setting:
    """Set a value from a day on, as text as a form sends it. Raises NotPermitted, Problems."""
    require(actor, Right.KEEP_RULES, unit.pk)
    with transaction.atomic():
        Unit.objects.select_for_update().get(pk=unit.pk)
        with recording(actor=actor, kind="setting.set", subject=unit.uuid) as rec:
            return add_setting(rec, unit=unit, name=name, value=value, about=about, from_day=from_day)


def add_setting(rec: Recording, *, unit: Unit, name: str, value: str, about: str = "", from_day: date) -> Setting:
    """The same within an act that is already open."""
    if name not in NAMES:
        raise ValueError(f"{name!r} is no setting; there are {', '.join(NAMES)}")
    if NAMES[name].about_procedure and not about:
        raise problem("about", "Say for which procedure.")
    try:
        parsed = NAMES[name].parse(value.strip())
    except ValueError as error:
        raise problem("value", str(error)) from None
    text = canonical(parsed)
    standing = Setting.objects.known().filter(unit=unit, name=name, about=about, from_day=from_day).first()
    if standing is not None and standing.value == text:
        raise problem("value", "This value is set from that day already.")
    if standing is not None:
        Setting.objects.filter(pk=standing.pk).update(known_until_id=rec.seq)
    made = Setting.objects.create(
        unit=unit, name=name, about=about, value=text, from_day=from_day, known_from_id=rec.seq
    )
    if rec.kind == "setting.set":
        rec.content |= {
            "name": name,
            "about": about,
            "from_day": from_day.isoformat(),
            "old": None if standing is None else json.loads(standing.value),
            "new": parsed,
        }
    stale.touch(cause=rec.kind, act=rec.seq, units=tree().below(unit.pk), from_day=from_day)
    return made


# --- for the screens ---


@dataclass(frozen=True)
class Line:
    """One setting at one unit on a day, in words. `from_unit` is '' where it is the default or set right here."""

    name: str
    title: str
    explained: str
    about: str
    words: str
    from_unit: str
    from_day: date | None


def overview(tree: Tree, unit_id: int, *, on: date) -> list[Line]:
    """Every setting as it holds at this unit on this day; one about procedures has a line for each that is set."""
    above, now = tree.above(unit_id), book()
    abouts: dict[str, set[str]] = defaultdict(set)
    for row in now.rows:
        if row.unit_id in above and row.about:
            abouts[row.name].add(row.about)
    lines = []
    for name, kind in NAMES.items():
        for about in ([] if kind.about_procedure and abouts[name] else [""]) + sorted(abouts[name]):
            found = now.in_effect(name, above, about, on=on)
            elsewhere = tree.path(found.unit) if found.unit not in (None, unit_id) else ""
            words = value_words(name, found.value)
            lines.append(Line(name, kind.title, kind.words, about, words, elsewhere, found.from_day))
    return lines


def value_words(name: str, value: Any) -> str:
    """A value as screens say it."""
    kind = NAMES.get(name)
    if kind is None:
        return str(value)
    if kind.choices:
        return dict(kind.choices)[value or ""]
    if value is None:
        return "Not set"
    return in_words(date.fromisoformat(value)) if kind.parse is day else f"{value} {kind.unit_of}".strip()


def parsed(row: Setting) -> Any:
    return json.loads(row.value)


Choices = Callable[[], Sequence[tuple[str, str]]]
_about_choices: list[Choices] = []


def offer_about(choices: Choices) -> None:
    """An app above offers what settings may be about: (code, name) of its procedures."""
    if choices not in _about_choices:
        _about_choices.append(choices)


def about_choices() -> list[tuple[str, str]]:
    return [pair for choices in _about_choices for pair in choices()]
