"""Pages that show every part of the look, for its tests: no screen of the register is like them."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.template import engines
from django.urls import include, path

from audits import charts
from config import pages as frame
from credentials.rules.answers import Answer
from people.fields import ClockField, DayField, Form
from people.pages import go, page
from sheets.listing import Column, Export, Filter, Listing, export, page_of

DAY = datetime.date(2026, 10, 3)
EXPORTED: list[Export] = []


@dataclass(frozen=True)
class Reason:
    text: str


@dataclass(frozen=True)
class Standing:
    may_insert: Answer | str
    on: datetime.date = DAY
    expires_on: datetime.date | None = None
    reasons: tuple[Reason, ...] = field(default=())


@dataclass(frozen=True)
class Person:
    name: str
    may: Answer
    supervises: bool
    through: datetime.date | None
    logged: int
    kind: str = ""


PEOPLE = [
    Person(f"{surname}, {given}", answer, answer is Answer.ALONE, DAY if index % 2 else None, 10 * index, kind)
    for index, (surname, (given, answer, kind)) in enumerate(
        (surname, more)
        for surname in ("Achterberg", "Fenwick", "Lindqvist", "Okonjo", "Pell", "Tuimana", "Voss", "Wray")
        for more in (
            ("Tobias", Answer.NO, ""),
            ("Amara", Answer.ALONE, "agency"),
            ("Petra", Answer.IN_ROOM, ""),
            ("Dele", Answer.NEARBY, "student"),
        )
    )
]


def people(rows: list[Person]) -> Listing:
    return Listing(
        name="people",
        title="Who can, here, now: Ward 4 Tern",
        rows=rows,
        columns=(
            Column("name", "Clinician", sort="name", link=lambda row: "/parts/list", note="kind", note_label="Kind"),
            Column("may", "May insert", "answer", sort="may.rank"),
            Column("supervises", "May supervise", "yes_no"),
            Column("through", "Through", "day", sort="through"),
            Column("logged", "Logged", "number", sort="logged"),
        ),
        filters=(
            Filter(
                "q", forms.CharField(label="Name"), lambda rows, v: [r for r in rows if v.lower() in r.name.lower()]
            ),
            Filter(
                "may",
                forms.ChoiceField(label="May insert", choices=[("", "Any"), *((a.value, a.words) for a in Answer)]),
                lambda rows, value: [row for row in rows if row.may.value == value],
                folded=True,
            ),
        ),
        order="name",
        empty="Nobody is placed on this ward yet.",
        per_page=10,
    )


def tiles(label: str, *words: str, **more: Any) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, choices=[(word, word) for word in words], widget=forms.RadioSelect, **more)


class Bedside(Form):
    result = tiles("How did it go?", "Working first time", "Not first time", "No attempt made")
    gauge = tiles("Gauge", "18", "20", "22", "24", initial="20")
    band = tiles("Patient", "Adult", "Child", "Infant", "Neonate", initial="Adult")
    near = tiles("Supervisor was", "In the room", "Nearby", required=False)


class Everything(Form):
    start = DayField(label="From", today=lambda: DAY)
    at = ClockField(label="At", required=False)
    unit = forms.ChoiceField(
        label="Unit", choices=[("", "Choose"), ("4", "Ward 4 Tern")], help_text="From that day on."
    )
    count = forms.IntegerField(label="Supervised insertions", min_value=1)
    why = forms.CharField(label="Reason", widget=forms.Textarea, max_length=20)
    events = forms.MultipleChoiceField(
        label="What happened",
        choices=[("a", "Arterial puncture"), ("n", "Nerve symptoms")],
        widget=forms.CheckboxSelectMultiple,
        required=False,
    )
    watched = forms.BooleanField(label="I watched from start to end")
    sheet = forms.FileField(label="Workbook", required=False)


class Secret(Form):
    secret = forms.CharField(
        label="Your secret", widget=forms.PasswordInput(attrs={"autocomplete": "current-password"})
    )


def answers(request: HttpRequest) -> HttpResponse:
    expires = datetime.date(2027, 6, 3)
    context = {
        "standings": [Standing(each, expires_on=expires, reasons=(Reason("Why."),)) for each in Answer],
        "today": DAY,
        "drift": charts.drift_chart([0.5, 0.3, 1.2, 2.4, 4.1], 4.0, crossed=5, false_alarm_every=1281),
        "drift_table": charts.drift_table([0.5, 4.1], [DAY, DAY], [False, False]),
        "curve": charts.learning_curve([True, False] * 15),
    }
    return page(request, "look/answers.html", context)


def bedside(request: HttpRequest) -> HttpResponse:
    form = Bedside(request.POST or None)
    if form.is_valid():
        return go(request, "part_list", message="Saved.", done="log")
    return page(request, "look/bedside.html", {"form": form})


def form(request: HttpRequest) -> HttpResponse:
    sent = request.POST if request.method == "POST" else None
    return page(request, "look/form.html", {"form": Everything(sent), "secret": Secret(sent)})


def listed(request: HttpRequest) -> HttpResponseBase:
    listing = people([] if "none" in request.GET else PEOPLE)
    if request.method == "POST":
        return export(request, listing, on_export=EXPORTED.append)
    return page(request, "look/list.html", {"listing": page_of(request, listing)}, fragment="tables/listing.html")


def plain(name: str) -> Callable[[HttpRequest], HttpResponse]:
    def view(request: HttpRequest) -> HttpResponse:
        return HttpResponse(engines["django"].get_template(name).render({}, request))

    return view


urlpatterns = [
    path("parts/answers", answers, name="part_answers"),
    path("parts/bedside", bedside, name="part_bedside"),
    path("parts/form", form, name="part_form"),
    path("parts/list", listed, name="part_list"),
    *(path(f"parts/{code}", plain(f"{code}.html"), name=f"part_{code}") for code in ("400", "403", "404", "500")),
    path("stay/", frame.stay, name="stay"),
    path("", include("people.urls")),
]
