"""The year ahead: what ends and when, cover if nobody renews, what is needed next, what is overdue, the workbook."""

import io
from datetime import date, datetime, time, timedelta

import openpyxl
import pandas
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from audits import charts
from audits.calendar import add_months
from credentials import cover, overdue, planning
from credentials import year_ahead as ahead
from credentials.rules.standing import answer_ahead, answer_at
from credentials.rules.terms import Terms
from credentials.standings import judge_many, rebuild
from ledger import clock
from ledger.canonical import canonical
from ledger.models import Act
from people.access import access_of
from people.models import Clinician, Unit
from people.problems import Problems
from people.settings import set_setting
from tests.audits.conftest import give_award
from tests.credentials.conftest import TODAY, Stage
from tests.credentials.test_policies import noted
from tests.factories import ClinicianFactory, PlacementFactory, make_clinician

pytestmark = pytest.mark.django_db
TERMS = canonical(Terms().to_content())


def holder(
    stage: Stage, name: str, months: int, kind: str = "employed", unit: Unit | None = None, until_day=None
) -> Clinician:
    """Somebody whose award ends so many months from today, its last day being the day before."""
    who = ClinicianFactory(name=name)
    PlacementFactory(clinician=who, unit=unit or stage.ward, kind=kind, until_day=until_day)
    give_award(
        who, stage.procedure, stage.cast.wards.department, terms=TERMS, expires_on=add_months(TODAY, months),
        from_day=add_months(TODAY, months - 36), anchor=add_months(TODAY, months - 36), months=36,
    )  # fmt: skip
    return who


def need(stage: Stage, name: str, value: int, unit: Unit | None = None) -> None:
    set_setting(
        actor=stage.educator, unit=unit or stage.cast.wards.department, name=name, value=str(value),
        about=stage.procedure.code, from_day=TODAY,
    )  # fmt: skip


def covers(stage: Stage, user=None) -> dict[str, cover.Cover]:
    rebuild()  # rows of the stage come straight into the tables
    return {each.path.rpartition(" / ")[2]: each for each in cover.cover(access_of(user or stage.cast.manager))}


def only(stage: Stage) -> cover.Cover:
    name = access_of(stage.educator).tree.name(stage.ward.pk)
    return covers(stage)[name]


def looked(stage: Stage, user=None) -> ahead.Ahead:
    rebuild()
    return ahead.year_ahead(access_of(user or stage.cast.manager))


# --- what ends ---


def test_an_award_counts_in_the_month_of_its_last_day(stage):
    holder(stage, "First Of", 4)  # through 1 July
    found = {each.clinician.name: each for each in looked(stage).endings}
    assert found["First Of"].last_day == date(2026, 7, 1)
    assert looked(stage).month_of(found["First Of"]) == date(2026, 7, 1)


@pytest.mark.parametrize(
    ("expires_on", "month"),
    [
        (TODAY, None),  # the last day was yesterday: in grace
        (TODAY + timedelta(days=1), date(2026, 3, 1)),
        (date(2026, 4, 1), date(2026, 3, 1)),
        (date(2026, 4, 2), date(2026, 4, 1)),
        (date(2027, 3, 1), date(2027, 2, 1)),
        (date(2027, 3, 2), "later"),
    ],
)
def test_each_boundary_day_falls_into_its_month(stage, expires_on, month):
    """The year is the month of today and the eleven that follow; common practice, no source."""
    who = make_clinician(stage.ward, "On Edge", account=False)
    begun = add_months(expires_on, -24)
    give_award(who, stage.procedure, stage.cast.wards.department, terms=TERMS, expires_on=expires_on, from_day=begun,
               anchor=begun, months=24)  # fmt: skip
    of = looked(stage)
    found = [of.month_of(each) for each in of.endings if each.clinician == who]
    assert found == ([] if month == "later" else [month])


def test_agency_bank_and_locum_staff_stand_apart(stage):
    holder(stage, "Own One", 2)
    for kind in ("agency", "bank", "locum"):
        holder(stage, f"Not Own {kind}", 2, kind)
    row = next(row for row in looked(stage).rows() if row.path == access_of(stage.educator).tree.path(stage.ward.pk))
    assert row.months[2] == ahead.Cell(1, 3)
    assert row.months[2].words == "1 (+3)"


def test_the_table_beside_the_picture_has_its_numbers(stage):
    holder(stage, "Own One", 2)
    holder(stage, "Age Ncy", 2, "agency")
    rebuild()
    shown = planning.planning(access_of(stage.cast.manager))
    drawn = [row for row in shown.ahead.table().rows if row[1:] != ("0", "0")]
    assert ("May 2026", "1", "1") in drawn
    assert "May 2026, 1 and 1 not employed there" in shown.picture
    assert shown.picture == planning.planning(access_of(stage.cast.manager)).picture


def test_equal_numbers_draw_equal_bytes():
    months = [("ended", 0, 0), ("Mar 2026", 2, 1), ("Apr 2026", 0, 0)]
    charts._endings.cache_clear()
    first = charts.endings_ahead(months)
    charts._endings.cache_clear()
    assert charts.endings_ahead(months) == first
    assert "style=" not in first
    assert "No award ends." in charts.endings_ahead([("ended", 0, 0)])


def test_nobody_elsewhere_is_in_it(stage):
    other = holder(stage, "Els Where", 2, unit=stage.cast.wards.other_ward)
    assert other not in [each.clinician for each in looked(stage).endings]
    assert looked(stage, stage.cast.supervisor).endings == []


# --- cover ---


def test_what_the_calendar_leaves_of_an_answer_is_what_that_day_is_judged_to_be(stage):
    """Against judging each day anew: both from the same facts, one by the calendar kept with the standing."""
    pair = (holder(stage, "Cal Endar", 5).pk, stage.procedure.pk)
    above = access_of(stage.educator).tree.above(stage.ward.pk)
    standing = judge_many([pair])[pair].standing
    for days in range(0, 400, 7):
        day = TODAY + timedelta(days=days)
        judged = judge_many([pair], on=day)[pair].standing
        assert answer_ahead(standing, above, on=TODAY, day=day) is answer_at(judged, above, on=day).answer, day
    with pytest.raises(ValueError, match="before the day"):
        answer_ahead(standing, above, on=TODAY, day=TODAY - timedelta(days=1))


def test_cover_counts_own_people_and_keeps_agency_apart(stage):
    holder(stage, "Own One", 20)
    holder(stage, "Age Ncy", 20, "agency")
    holder(stage, "Stu Dent", 20, "student")
    need(stage, "cover_needed", 4)
    of = only(stage)
    assert of.today == cover.Count(3, 1)  # the two seniors of the stage and one
    assert of.is_short
    assert of.next.startswith("1 person more who may insert alone (have 3, need 4)")


def test_a_unit_is_told_how_many_renewals_keep_what_it_needs(stage):
    for name in ("Own One", "Own Two"):
        holder(stage, name, 3)  # through 1 June
    holder(stage, "Own Three", 30)
    need(stage, "cover_needed", 3)
    of = only(stage)
    assert of.today.own == 5
    assert [count.own for count in of.month_ends][:4] == [5, 5, 5, 3]
    assert (of.short_on, of.renewals) == (date(2027, 1, 1), 2)  # the seniors' awards end with 2026
    assert of.next == "2 renewals by 31 December 2026 to keep 3"


def test_nobody_short_needs_nothing(stage):
    holder(stage, "Own One", 30)
    need(stage, "cover_needed", 1)
    assert only(stage).next == "nothing in the year ahead"


def test_supervisors_who_are_missing_are_asked_for(stage):
    need(stage, "supervisors_needed", 4)
    of = only(stage)
    assert of.supervisors == 2
    assert of.next == "2 supervisors more to have 4"


def test_a_placement_that_ends_ends_the_cover(stage):
    holder(stage, "Lea Ving", 30, until_day=date(2026, 5, 10))
    need(stage, "cover_needed", 3)
    of = only(stage)
    assert (of.today.own, of.short_on) == (3, date(2026, 5, 10))


def test_a_unit_without_a_number_has_no_line(stage):
    holder(stage, "Own One", 3)
    assert covers(stage) == {}


def test_a_number_that_is_none_is_refused(stage):
    with pytest.raises(Problems):
        need(stage, "cover_needed", 501)
    with pytest.raises(Problems):
        set_setting(actor=stage.educator, unit=stage.ward, name="cover_needed", value="3", from_day=TODAY)


# --- what is overdue ---


def entries(stage: Stage, *days: int) -> None:
    stage.ready_to_learn(TODAY - timedelta(days=60))
    for back in days:
        stage.log(datetime.combine(TODAY - timedelta(days=back), time(1)), signed=False)


def waiting(stage: Stage, today: date = TODAY) -> list[overdue.Unsigned]:
    with clock.at(datetime.combine(today, time(3), tzinfo=clock.now().tzinfo)):
        return overdue.unsigned(access_of(stage.cast.manager))


@pytest.mark.parametrize(
    ("after", "expected"),
    [
        (23, []),
        (24, [(1, 0)]),  # 30 days to sign, seven of them left
        (30, [(1, 0)]),
        (31, [(0, 1)]),
    ],
)
def test_a_signature_is_due_a_week_before_its_time_is_over(stage, after, expected):
    entries(stage, 0)
    found = waiting(stage, TODAY + timedelta(days=after))
    assert [(each.this_week, each.too_late) for each in found] == expected


def test_signatures_are_a_to_do_by_name_and_no_ranking(stage):
    entries(stage, 1)
    stage.log(datetime.combine(TODAY, time(1)), signed=False, by=1)
    stage.log(datetime.combine(TODAY, time(2)), signed=False, by=1)
    found = waiting(stage, TODAY + timedelta(days=40))
    assert [each.name for each in found] == sorted(each.name for each in found)
    assert found[0].words.endswith("past the time to countersign: ask an educator")


# --- screen and workbook ---


def test_the_page_tells_a_manager_and_costs_as_many_queries_for_many(stage, client):
    need(stage, "cover_needed", 4)
    noted(stage)
    holder(stage, "Own One", 3)
    rebuild()
    client.force_login(stage.cast.manager)
    page = client.get(reverse("year_ahead")).content.decode()
    assert "Own One" in page
    assert "Peripheral access policy" in page
    assert "working first time" not in page

    def queries() -> int:
        rebuild()
        with CaptureQueriesContext(connection) as counted:
            planning.planning(access_of(stage.cast.manager))
        return len(counted)

    few = queries()
    for place in range(10):
        holder(stage, f"More {place}", 4)
    assert queries() == few


def test_the_workbook_has_a_sheet_for_each_unit_and_no_formula(stage, client):
    need(stage, "cover_needed", 4)
    holder(stage, "=1+1", 3)
    rebuild()
    client.force_login(stage.cast.manager)
    made = client.post(reverse("year_ahead_book"))
    assert made.status_code == 200
    book = openpyxl.load_workbook(io.BytesIO(made.content))
    ward = access_of(stage.educator).tree.name(stage.ward.pk)
    assert book.sheetnames[:2] == ["Cover", ward]
    assert book.sheetnames[2:4] == ["Signatures", "Policies"]
    sheet = book[ward]
    assert sheet.freeze_panes == "B2"
    assert not [cell for row in sheet for cell in row if cell.data_type == "f"]
    frame = pandas.read_excel(io.BytesIO(made.content), sheet_name=ward, dtype=str, engine="openpyxl")
    assert list(frame.columns)[:2] == ["Clinician", "Staff number"]
    assert len(frame) == 3  # the seniors and one; nobody else stands in anything
    assert Act.objects.filter(kind="export.made").latest("seq").facts["list"] == "year-ahead-book"


def test_the_list_behind_the_numbers_narrows_by_month_and_unit(stage, client):
    holder(stage, "In May", 2)
    holder(stage, "In June", 3)
    rebuild()
    client.force_login(stage.cast.manager)
    page = client.get(reverse("year_ahead"), {"month": "2026-05"}, headers={"HX-Request": "true"}).content.decode()
    assert "In May" in page
    assert "In June" not in page
