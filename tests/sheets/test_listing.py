"""A list: what the page shows and what the export takes away are the same rows, columns and order."""

import csv
import datetime
import hashlib
import io
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import openpyxl
import pytest
from django import forms
from django.core.exceptions import BadRequest
from django.http import FileResponse
from django.template.loader import render_to_string
from django.test import RequestFactory
from pytest_django.fixtures import DjangoAssertNumQueries

from people.models import Clinician, User
from sheets.listing import Column, Export, Filter, Listing, ListingPage, export, page_of
from tests.factories import ClinicianFactory, UserFactory

DAY = datetime.date(2026, 10, 3)
MOMENT = datetime.datetime(2026, 10, 3, 23, 35, tzinfo=datetime.timezone(datetime.timedelta(hours=9, minutes=30)))


class Answer(Enum):
    IN_ROOM = "in_room"

    @property
    def words(self) -> str:
        return "with a supervisor in the room"


@dataclass(frozen=True)
class Row:
    name: str
    punctures: int | None = None
    day: datetime.date | None = None
    note: str = ""
    watched: bool | None = None
    may: Answer | None = None
    at: datetime.datetime | None = None
    clock: datetime.time | None = None


COLUMNS = (
    Column(
        "name",
        "Clinician",
        sort="name",
        link=lambda row: f"/people/{row.name}/?a=1&b=2",
        note="note",
        note_label="Kind",
    ),
    Column("punctures", "Punctures", "number", sort="punctures"),
    Column("day", "Day", "day", sort=("day", "name")),
    Column("watched", "Watched", "yes_no"),
    Column("may", "May insert", "answer"),
    Column("at", "Entered", "moment"),
    Column("clock", "At", "time"),
)


def listing(*rows: Row, **changes: Any) -> Listing:
    whole = Listing(
        name="entries", title="Entries", rows=rows, columns=COLUMNS, empty="Nothing is logged.", order="name"
    )
    return replace(whole, **changes)


def asked(given: Listing, query: str = "") -> ListingPage:
    return page_of(RequestFactory().get(f"/entries/?{query}"), given)


def html(page: ListingPage) -> str:
    return render_to_string("tables/listing.html", {"listing": page}, request=page.request)


def taken(
    given: Listing, format_: str, query: str = "", on_export: Callable[[Export], object] = lambda made: None
) -> bytes:
    request = RequestFactory().post(f"/entries/?{query}", {"export": format_})
    answer = export(request, given, on_export=on_export)
    assert isinstance(answer, FileResponse)
    return b"".join(answer.streaming_content)  # type: ignore[arg-type]


def csv_rows(data: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(data.decode(), newline="")))


def staff(**changes: Any) -> Listing:
    whole = Listing(
        name="staff",
        title="Staff",
        rows=Clinician.objects.select_related("user"),
        columns=(
            Column("name", "Name", sort="name"),
            Column("staff_number", "Staff number", sort="staff_number"),
            Column("profession", "Profession", value="get_profession_display"),
            Column("email", "E-mail", value="user.email", sort="user__email"),
        ),
        empty="Nobody is on the staff yet.",
        order="name",
        filters=(
            Filter("q", forms.CharField(label="Name"), lambda rows, value: rows.filter(name__icontains=value)),
            Filter(
                "profession",
                forms.ChoiceField(label="Profession", choices=[("", "Any"), ("nurse", "Registered nurse")]),
                lambda rows, value: rows.filter(profession=value),
            ),
            Filter("since", forms.DateField(label="Since"), lambda rows, value: rows),
        ),
    )
    return replace(whole, **changes)


# --- the page ---


@pytest.mark.std("C-12")
def test_the_table_has_a_caption_heads_rows_and_columns_and_sets_numbers_to_the_right() -> None:
    text = html(asked(listing(Row("Pell, Jonah", punctures=2, day=DAY))))
    assert '<caption id="list-entries-title" class="unseen">Entries</caption>' in text
    assert '<th scope="col" role="columnheader" aria-sort="ascending">' in text
    assert '<th scope="row" role="rowheader">' in text
    assert '<td role="cell" class="n" data-label="Punctures">2</td>' in text


def test_each_kind_of_value_is_written_in_its_way_and_nothing_is_written_for_no_value() -> None:
    row = Row("Pell, Jonah", 2, DAY, "agency", False, Answer.IN_ROOM, MOMENT, datetime.time(7, 5))
    (line,) = asked(listing(row)).lines
    for part in (
        '<a href="/people/Pell, Jonah/?a=1&amp;b=2">Pell, Jonah</a> <span class="why">agency</span>',
        ">3 October 2026<",
        ">no<",
        '<span class="can in-room"><span class="mark in-room"></span>with a supervisor in the room</span>',
        ">3 October 2026, 23:35<",
        ">07:05<",
    ):
        assert part in line
    (bare,) = asked(listing(Row(""))).lines
    assert re.sub(r"<[^>]+>", "", bare) == ""


@pytest.mark.std("B-18")
def test_a_value_a_note_and_an_address_that_hold_markup_are_written_as_text() -> None:
    text = html(asked(listing(Row('"><img onerror=x>', note="<script>"))))
    assert "<img" not in text
    assert "<script" not in text
    assert "&lt;script&gt;" in text


def test_a_list_of_objects_is_sorted_by_value_without_regard_to_case_and_what_has_no_value_stands_last() -> None:
    rows = listing(Row("b", 3), Row("A", None), Row("c", 1), Row("D", 2))
    assert [row.name for row in asked(rows).records] == ["A", "b", "c", "D"]
    assert [row.punctures for row in asked(rows, "sort=punctures").records] == [1, 2, 3, None]
    assert [row.punctures for row in asked(rows, "sort=-punctures").records] == [3, 2, 1, None]


def test_a_queryset_is_sorted_alike_on_either_engine_with_the_key_to_settle_ties(db: None) -> None:
    first = ClinicianFactory(name="Same", user=UserFactory(email="b@wrenfield.example"))
    without = ClinicianFactory(name="Same")
    last = ClinicianFactory(name="Same", user=UserFactory(email="a@wrenfield.example"))
    assert asked(staff()).records == [first, without, last]
    assert asked(staff(), "sort=email").records == [last, first, without]
    assert asked(staff(), "sort=-email").records == [first, last, without]


@pytest.mark.parametrize(
    "query", ["sort=staff_number; drop", "sort=profession", "sort=user__password", "sort=--name", "sort="]
)
def test_an_order_that_is_not_offered_is_passed_over(query: str, db: None) -> None:
    ClinicianFactory(name="B")
    ClinicianFactory(name="A")
    page = asked(staff(), query)
    assert [row.name for row in page.records] == ["A", "B"]
    assert page.order == "name"


@pytest.mark.parametrize(
    ("query", "count"),
    [
        ("", "Showing 1 to 25 of 60"),
        ("page=2", "Showing 26 to 50 of 60"),
        ("page=3", "Showing 51 to 60 of 60"),
        ("page=99", "Showing 51 to 60 of 60"),
        ("page=0", "Showing 1 to 25 of 60"),
        ("page=-1", "Showing 1 to 25 of 60"),
        ("page=x", "Showing 1 to 25 of 60"),
        ("page=1000000000000000000000", "Showing 51 to 60 of 60"),
        ("per_page=1000000", "Showing 1 to 25 of 60"),
    ],
)
@pytest.mark.std("B-24")
def test_pages_hold_twenty_five_and_an_impossible_page_is_the_nearest(query: str, count: str) -> None:
    assert asked(listing(*(Row(f"{n:02}") for n in range(60))), query).count == count


def test_the_pages_near_and_at_both_ends_are_linked() -> None:
    page = asked(listing(*(Row(f"{n:03}") for n in range(300))), "page=6&sort=-name")
    assert [(step.words, step.url, step.is_current) for step in page.steps] == [
        ("1", "?page=1&sort=-name", False),
        ("…", "", False),
        ("5", "?page=5&sort=-name", False),
        ("6", "", True),
        ("7", "?page=7&sort=-name", False),
        ("…", "", False),
        ("12", "?page=12&sort=-name", False),
    ]
    assert (page.previous_url, page.next_url) == ("?page=5&sort=-name", "?page=7&sort=-name")
    assert list(asked(listing(Row("only"))).steps) == []


def test_all_rows_stand_on_one_page_where_that_is_asked_for() -> None:
    page = asked(listing(*(Row(f"{n:02}") for n in range(60)), per_page=0), "page=2")
    assert page.count == "60 in all"
    assert list(page.steps) == []
    assert (page.previous_url, page.next_url) == ("", "")


def test_a_sort_link_turns_the_order_round_keeps_the_filters_and_starts_at_the_first_page(db: None) -> None:
    headings = {head.column.name: head for head in asked(staff(), "q=a&page=3&sort=name").headings}
    assert headings["name"].url == "?q=a&sort=-name"
    assert headings["name"].sorted == "ascending"
    assert headings["staff_number"].url == "?q=a&sort=staff_number"
    assert headings["staff_number"].sorted == ""
    assert headings["profession"].url == ""


@pytest.mark.std("F-08")
def test_filters_narrow_and_each_can_be_taken_away(db: None) -> None:
    ClinicianFactory(name="Pell, Jonah")
    ClinicianFactory(name="Pell, Sefa", profession="doctor")
    ClinicianFactory(name="Voss, Ada")
    assert asked(staff()).chips == []
    page = asked(staff(), "q=pell&profession=nurse&sort=-name&page=2")
    assert [row.name for row in page.records] == ["Pell, Jonah"]
    assert [(chip.words, chip.url) for chip in page.chips] == [
        ("Name: pell", "?profession=nurse&sort=-name"),
        ("Profession: Registered nurse", "?q=pell&sort=-name"),
    ]
    assert page.clear_url == "?sort=-name"


@pytest.mark.std("F-08")
def test_a_filter_that_cannot_be_read_is_said_beside_its_field_and_narrows_nothing(db: None) -> None:
    ClinicianFactory(name="Pell, Jonah")
    page = asked(staff(), "profession=astronaut&since=31/31/2026&q=pell")
    assert page.total == 1
    assert [chip.words for chip in page.chips] == ["Name: pell"]
    assert set(page.form.errors) == {"profession", "since"}
    assert 'aria-invalid="true"' in html(page)


@pytest.mark.std("F-14")
def test_an_empty_list_says_why_and_a_narrowed_one_offers_the_whole(db: None) -> None:
    assert "Nobody is on the staff yet." in html(asked(staff()))
    ClinicianFactory(name="Pell, Jonah")
    narrowed = html(asked(staff(), "q=nobody"))
    assert "Nothing fits what the list is narrowed by." in narrowed
    assert "Show the whole list" in narrowed
    assert "Download" not in narrowed


def test_two_lists_of_one_page_keep_their_states_apart() -> None:
    rows = [Row("a"), Row("b")]
    one, other = listing(*rows), listing(*rows, prefix="b-")
    query = "sort=-name&b-sort=name"
    assert [row.name for row in asked(one, query).records] == ["b", "a"]
    assert [row.name for row in asked(other, query).records] == ["a", "b"]


def test_a_page_asks_as_many_queries_for_twenty_rows_as_for_one(
    db: None, django_assert_num_queries: DjangoAssertNumQueries
) -> None:
    for more in (1, 19):
        for _ in range(more):
            ClinicianFactory(user=UserFactory())
        with django_assert_num_queries(2):
            html(asked(staff()))
        with django_assert_num_queries(1):
            taken(staff(), "csv")


# --- the export ---


@pytest.mark.std("F-09")
def test_an_export_holds_every_row_of_the_narrowed_list_in_the_order_of_the_page(db: None) -> None:
    for number in range(40):
        ClinicianFactory(name=f"Pell {number:02}" if number % 4 else f"Voss {number:02}", user=UserFactory())
    query = "q=pell&sort=-staff_number&page=2"
    page = asked(staff(per_page=0), query)
    shown = [[row.name, row.staff_number, row.get_profession_display(), row.user.email] for row in page.records]
    assert len(shown) == 30
    heading, *rows = csv_rows(taken(staff(), "csv", query))
    assert heading == [column.label for column in staff().columns]
    assert rows == shown
    sheet = openpyxl.load_workbook(io.BytesIO(taken(staff(), "xlsx", query))).worksheets[0]
    assert [list(row) for row in sheet.iter_rows(values_only=True)] == [heading, *shown]


def test_values_leave_as_what_they_are_and_a_note_has_a_column_of_its_own() -> None:
    row = Row("Pell, Jonah", 2, DAY, "agency", True, Answer.IN_ROOM, MOMENT, datetime.time(7, 5))
    sheet = openpyxl.load_workbook(io.BytesIO(taken(listing(row), "xlsx"))).worksheets[0]
    heading, values = sheet.iter_rows(values_only=True)
    assert heading == ("Clinician", "Kind", "Punctures", "Day", "Watched", "May insert", "Entered", "At")
    assert values == (
        "Pell, Jonah",
        "agency",
        2,
        datetime.datetime(2026, 10, 3),  # noqa: DTZ001 (a cell has no zone)
        "yes",
        "with a supervisor in the room",
        datetime.datetime(2026, 10, 3, 23, 35),  # noqa: DTZ001
        datetime.time(7, 5),
    )


@pytest.mark.std("B-19")
@pytest.mark.parametrize("name", ["=1+1", "+61 8", "-cmd", "@SUM(A1)", "\t=1", "＝1"])
def test_no_text_leaves_as_a_formula(name: str) -> None:
    cell = openpyxl.load_workbook(io.BytesIO(taken(listing(Row(name, note=name)), "xlsx"))).worksheets[0]["A2"]
    assert cell.data_type == "s"
    assert cell.value == f"'{name}"
    assert csv_rows(taken(listing(Row(name)), "csv"))[1][0] == f"'{name}"


def test_what_was_taken_is_told_before_a_byte_is_sent(db: None) -> None:
    ClinicianFactory(name="Pell, Jonah")
    told: list[Export] = []
    data = taken(staff(), "csv", "q=pell&sort=-name", told.append)
    assert told == [
        Export(
            name="staff",
            title="Staff",
            format="csv",
            rows=1,
            columns=("Name", "Staff number", "Profession", "E-mail"),
            filters=("Name: pell",),
            order="-name",
            digest=hashlib.sha256(data).hexdigest(),
        )
    ]


def test_nothing_is_sent_where_it_cannot_be_recorded() -> None:
    def refuse(made: Export) -> None:
        raise PermissionError(made.name)

    with pytest.raises(PermissionError, match="entries"):
        taken(listing(Row("a")), "csv", on_export=refuse)


@pytest.mark.parametrize("wanted", ["", "pdf", "XLSX"])
def test_a_format_that_is_not_offered_is_a_bad_request(wanted: str) -> None:
    with pytest.raises(BadRequest, match="xlsx or csv"):
        taken(listing(Row("a")), wanted)


@pytest.mark.std("B-21")
def test_the_file_is_sent_as_an_attachment_under_a_name_of_our_own() -> None:
    request = RequestFactory().post("/entries/", {"export": "xlsx", "name": "../../x\r\nSet-Cookie: a"})
    answer = export(request, listing(Row("a")), on_export=lambda made: None)
    assert answer["Content-Disposition"] == 'attachment; filename="entries.xlsx"'
    assert answer["Content-Type"] == "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


# --- a listing that cannot be ---


def test_a_listing_refuses_columns_and_orders_that_do_not_fit() -> None:
    with pytest.raises(ValueError, match="note_label"):
        Column("name", "Name", note="kind")
    with pytest.raises(ValueError, match="names of their own"):
        listing(columns=(COLUMNS[0], COLUMNS[0]))
    with pytest.raises(ValueError, match="cannot be ordered by '-watched'"):
        listing(order="-watched")


def test_a_path_that_meets_nothing_on_its_way_gives_nothing(db: None) -> None:
    ClinicianFactory()
    assert User.objects.count() == 0
    assert next(iter(asked(staff()).lines)).endswith('data-label="E-mail"></td>')
