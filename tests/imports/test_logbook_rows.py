"""Rows of a log: what is read, what is refused and where, what is left out and said, who may bring them."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any

import pytest

from audits.entry import AttemptMade
from audits.logbook import record_insertion
from audits.models import Insertion, Outcome, Sheet
from ledger import clock
from ledger.models import Act
from people.access import NotPermitted
from people.models import Setting
from people.problems import Problems
from sheets.zipcheck import FileRefused
from tests.factories import AppointmentFactory, InsertionFactory, make_clinician
from tests.imports.stage import DAYS, HEADINGS, NOW, Stage, make_stage, plan, sheet, store, told, warned
from tests.sheets import books

pytestmark = pytest.mark.django_db


@pytest.fixture
def stage() -> Iterator[Stage]:
    with clock.at(NOW):
        yield make_stage()


def refused(stage: Stage, **said: Any) -> list[tuple[int, str, str]]:
    return told(store(stage, sheet([stage.row(**said)])))


def test_a_row_is_stored_as_it_says(stage: Stage) -> None:
    headings = [*HEADINGS, "Supervisor", "Supervisor in the room", "Comments"]
    data = sheet(
        [[*stage.row(Gauge="pink", Site="left ACF", Attempts=2), "su pervisor", "N", "second try"]], headings=headings
    )
    report = store(stage, data)
    assert report.document()["stored"] == 1
    found = Insertion.objects.get()
    assert (found.clinician, found.performed_on, found.unit_id) == (
        stage.ada,
        date(2026, 2, 10),
        stage.cast.wards.ward.pk,
    )
    assert (found.result, found.punctures, found.source, found.partial) == ("not_first", 2, "sheet", False)
    assert (found.supervisor, found.nearness) == (stage.cast.supervisor, "nearby")
    assert [(each.site, each.side, each.gauge, each.result) for each in found.attempts.all()] == [
        ("", "", 0, "failed"),
        ("elbow", "left", 20, "working"),
    ]
    assert found.sheet is not None
    assert (found.sheet.complete_from, found.sheet.complete_through) == DAYS
    assert list(found.sheet.units.all()) == [stage.cast.wards.ward]


@pytest.mark.std("A-01")
def test_one_act_names_every_row_and_what_was_signed(stage: Stage) -> None:
    store(stage, sheet([stage.row(), stage.row(Time="11:00")]))
    act = Act.objects.get(kind="logbook.imported")
    assert act.subject == Sheet.objects.get().uuid
    assert sorted(act.facts["rows"]) == sorted(Insertion.objects.values_list("digest", flat=True))
    signature = act.facts["signature"]
    assert signature["meaning"] == "sheet of insertions imported"
    assert signature["role"] == "Educator, Saltmarsh Hospital / Medicine"
    assert act.facts["statement"]["complete"] == ["2026-02-01", "2026-02-28"]


@pytest.mark.parametrize(
    ("said", "column", "reason"),
    [
        ({"Staff_no": "999999"}, "Staff no", "Nobody in the register has this staff number"),
        ({"Staff_no": ""}, "Staff no", "Give the staff number of whoever inserted."),
        ({"Staff_no": 4.5e17}, "Staff no", "This is no staff number"),
        ({"Unit": "Ward 99"}, "Unit", "No unit has this name"),
        ({"Unit": ""}, "Unit", "Give the unit where it was done."),
        ({"Unit": "Ward 1 Plover"}, "Unit", "You are no educator of this unit."),
        ({"Date": ""}, "Date", "Give the day of the insertion."),
        ({"Date": "31/2/2026"}, "Date", "There is no such day in the calendar"),
        ({"Date": "2/27/2026"}, "Date", "The month seems to stand first"),
        ({"Date": date(2026, 3, 9)}, "Date", "This lies in the future: check day and time."),
        ({"Time": "25:00"}, "Time", "There is no such time of day"),
        ({"Patient_group": "Giant"}, "Patient group", "Write one of: Adult, Child, Infant, Neonate."),
        ({"Patient_group": ""}, "Patient group", "Say which patient group"),
        ({"Patient_group": "Neonate"}, "Patient group", "This service has not opened this procedure"),
        ({"Gauge": "19"}, "Gauge", "Write one of: 14 G"),
        ({"Site": "moon"}, "Site", "Write one of: Left, Right; and one of:"),
        ({"Attempts": "many"}, "Attempts", "Write a whole number from 0 to 20, in digits."),
        ({"Result": "x"}, "Result", "An x can mean yes or no"),
        ({"Result": ""}, "Result", "Say how it went"),
        (
            {"Result": "Working first time", "Attempts": 3},
            "Attempts",
            "It worked first time, and there were 3 attempts",
        ),
    ],
)
def test_a_bad_cell_is_refused_with_its_place_and_what_to_do(
    stage: Stage, said: dict[str, Any], column: str, reason: str
) -> None:
    found = refused(stage, **said)
    assert [(row, where) for row, where, _ in found] == [(2, column)]
    assert found[0][2].startswith(reason)
    assert not Insertion.objects.exists()


def test_all_that_is_wrong_with_a_row_is_said_at_once_and_good_rows_are_stored(stage: Stage) -> None:
    report = store(stage, sheet([stage.row(Date="?", Gauge="19", Staff_no="1"), stage.row()]))
    assert sorted(column for _, column, _ in told(report)) == ["Date", "Gauge", "Staff no"]
    assert Insertion.objects.count() == 1


def test_a_formula_is_refused_and_its_value_not_taken(stage: Stage) -> None:
    def fill(book: Any) -> None:
        page = book.add_worksheet("Log")
        for column, heading in enumerate(HEADINGS):
            page.write_string(0, column, heading)
        for column, cell in enumerate(stage.row(Date="10/2/2026", Attempts="1")):
            page.write_string(1, column, str(cell))
        page.write_formula(1, 8, '=IF(1,"Y","N")', None, "Y")

    report = store(stage, books.workbook(fill))
    assert told(report) == [(2, "Result", "The cell holds a formula: copy the column and paste it as values.")]


# --- staff numbers, names, units ---


def test_zeros_that_were_lost_are_found_where_only_one_fits(stage: Stage) -> None:
    report = store(stage, sheet([stage.row(Staff_no=4512), stage.row(Staff_no="4512", Time="11:00")]))
    assert Insertion.objects.filter(clinician=stage.ada).count() == 2
    assert "Zeros at the beginning differ, and only one number fits: 4512 is 004512." in warned(report)
    make_clinician(stage.cast.wards.ward, "Twin", staff_number="04512")
    assert refused(stage, Staff_no=4512, Time="12:00")[0][2].startswith("More than one staff number fits")
    # The whole number still fits one.
    assert refused(stage, Staff_no="04512", Time="12:00") == []


def test_a_name_that_is_not_the_numbers_is_refused_and_a_shortened_one_is_not(stage: Stage) -> None:
    headings = [*HEADINGS, "Clinician"]
    rows = [
        [*stage.row(Time=f"1{n}:00"), name] for n, name in enumerate(["Okafor A", "OKAFOR, Ada (RN)", "AO", "Ben Hale"])
    ]
    report = store(stage, sheet(rows, headings=headings))
    assert told(report) == [(5, "Clinician", "This staff number is that of Ada Okafor: check the number and the name.")]
    assert Insertion.objects.count() == 3


def test_a_unit_is_found_by_path_by_its_name_alone_or_by_the_sheets(stage: Stage) -> None:
    for number, unit in enumerate(["Saltmarsh Hospital / Medicine / Ward 4 Tern", "Saltmarsh Hospital / ward 4 tern"]):
        assert refused(stage, Unit=unit, Time=f"1{number}:00") == []
    without = [heading for heading in HEADINGS if heading != "Unit"]
    row = [cell for heading, cell in zip(HEADINGS, stage.row(Time="15:00"), strict=True) if heading != "Unit"]
    assert told(store(stage, sheet([row], headings=without, name="Ward 4 Tern"))) == []
    assert set(Insertion.objects.values_list("unit", flat=True)) == {stage.cast.wards.ward.pk}
    (line,) = told(store(stage, sheet([row], headings=without, name="January")))
    assert line[2] == "Add a column for the unit, or name the sheet as the unit is named."


def test_a_supervisor_is_named_by_number_mail_or_name_and_never_guessed(stage: Stage) -> None:
    make_clinician(stage.cast.wards.ward, "Sue Pervisor")
    headings = [*HEADINGS, "Supervised by"]
    mail = stage.cast.supervisor.email
    names = [mail, "Pervisor, Su", "S. Pervisor", "Nobody Known", "004513", "nil", "none@wrenfield.example"]
    rows = [[*stage.row(Time=f"1{n}:00"), name] for n, name in enumerate(names)]
    report = store(stage, sheet(rows, headings=headings))
    assert [(row, reason) for row, _, reason in told(report)] == [
        (4, "More than one account fits this name: give the e-mail or the staff number."),
        (5, "Nobody with an account has this name: give the e-mail or staff number, or leave the cell empty."),
        (8, "Nobody in the register has this number or e-mail: check it, or leave the cell empty."),
    ]
    supervisors = Insertion.objects.order_by("performed_at").values_list("supervisor", flat=True)
    assert list(supervisors) == [stage.cast.supervisor.pk, stage.cast.supervisor.pk, stage.ben.user_id, None]


def test_nobody_supervises_themselves(stage: Stage) -> None:
    data = sheet([[*stage.row(), "004512"]], headings=[*HEADINGS, "Supervisor"])
    ((_, column, reason),) = told(store(stage, data))
    assert (column, reason[:30]) == ("Supervisor", "Nobody supervises themselves: ")


# --- days and times ---


def test_a_time_may_be_missing_and_then_the_day_is_meant(stage: Stage) -> None:
    store(stage, sheet([stage.row(Time=""), stage.row(Time="?", Site="R hand")]))
    assert list(Insertion.objects.values_list("time_known", "performed_on")) == [(False, date(2026, 2, 10))] * 2


def test_times_of_the_nights_on_which_clocks_change(stage: Stage) -> None:
    """Adelaide: forward on 5 October 2025 at 2:00, back on 6 April 2025 at 3:00 (IANA time zone database)."""
    rows = [
        stage.row(Date=date(2025, 10, 5), Time="2:30"),
        stage.row(Date=date(2025, 4, 6), Time="2:30"),
        stage.row(Date=date(2025, 4, 6), Time="3:30"),
    ]
    data = sheet(rows)
    for _ in range(2):
        report = store(stage, data, days=None)
        assert told(report) == [(2, "Time", "The clocks went forward over this time: it never was. Check it.")]
        assert "This time came twice that night: read as the first." in warned(report)
    assert [f"{each:%d %H:%M}" for each in Insertion.objects.order_by("pk").values_list("performed_at", flat=True)] == [
        "05 16:00",
        "05 18:00",
    ]


# --- several rows of one occasion ---

BY_PUNCTURE = ("Staff no", "Unit", "Date", "Time", "Attempt no", "Site", "Gauge", "Success", "Complications", "Notes")


def test_rows_that_number_their_punctures_are_one_occasion(stage: Stage) -> None:
    day = date(2026, 2, 10)
    rows = [
        ("004512", "Ward 4 Tern", day, "10:00", 1, "L hand", 20, "N", "none", "hard"),
        ("004513", "Ward 4 Tern", day, "10:00", 1, "L hand", 20, "Y", "none", ""),
        ("004512", "Ward 4 Tern", day, "10:10", 2, "R hand", 22, "N", "needlestick", "still"),
        ("004512", "Ward 4 Tern", day, "10:20", 3, "R ACF", 22, "Y", "none", ""),
    ]
    report = store(stage, sheet(rows, headings=BY_PUNCTURE))
    assert report.document()["stored"] == 4
    of_ada = Insertion.objects.get(clinician=stage.ada)
    assert (of_ada.punctures, of_ada.result, of_ada.events) == (3, "not_first", "needlestick")
    assert [each.site for each in of_ada.attempts.all()] == ["hand", "hand", "elbow"]
    assert '"comment":"hard still"' in of_ada.content
    assert Insertion.objects.filter(clinician=stage.ben, punctures=1).exists()


@pytest.mark.parametrize(
    ("second", "reason"),
    [
        (("004513", "10:10", 2, "N"), "Attempt 2 needs attempt 1 of the same person, unit and day in a row above it."),
        (("004512", "10:10", 3, "N"), "Attempt 3 needs attempt 2 of the same person, unit and day in a row above it."),
        (("004512", "20:10", 2, "N"), "Attempt 2 needs attempt 1 of the same person, unit and day in a row above it."),
    ],
)
def test_a_puncture_without_the_one_before_it_is_refused(stage: Stage, second: Any, reason: str) -> None:
    day = date(2026, 2, 10)
    number, at, attempt, success = second
    rows = [
        ("004512", "Ward 4 Tern", day, "10:00", 1, "L hand", 20, "N", "none", ""),
        (number, "Ward 4 Tern", day, at, attempt, "L hand", 20, success, "none", ""),
    ]
    assert told(store(stage, sheet(rows, headings=BY_PUNCTURE))) == [(3, "Attempt no", reason)]


def test_after_one_that_worked_comes_another_occasion(stage: Stage) -> None:
    day = date(2026, 2, 10)
    rows = [
        ("004512", "Ward 4 Tern", day, "10:00", 1, "L hand", 20, "Y", "none", ""),
        ("004512", "Ward 4 Tern", day, "10:10", 2, "L hand", 20, "Y", "none", ""),
    ]
    ((row, _, reason),) = told(store(stage, sheet(rows, headings=BY_PUNCTURE)))
    assert (row, reason[:49]) == (3, "The attempt before it worked or was taken over: a")


# --- what is left out, and said ---


@pytest.mark.std("B-40")
def test_a_comment_that_may_tell_who_a_patient_is_is_dropped_and_the_row_kept(stage: Stage) -> None:
    headings = [*HEADINGS, "Comment"]
    rows = [
        [*stage.row(), "Mr Brown in bed 4"],
        [*stage.row(Time="11:00"), "x" * 501],
        [*stage.row(Time="12:00"), "fine"],
    ]
    report = store(stage, sheet(rows, headings=headings))
    assert Insertion.objects.count() == 3
    assert [each.startswith("The comment was left out.") for each in warned(report)].count(True) == 2
    shown = [each["value"] for each in report.document()["warnings"] if each["column"] == "Comment"]
    assert shown[0] == "(not shown)"
    assert "Brown" not in str(list(Insertion.objects.values_list("content", flat=True)))


def test_an_event_that_is_none_of_the_list_is_said(stage: Stage) -> None:
    report = store(stage, sheet([stage.row(Events="small haematoma, needlestick")]))
    assert Insertion.objects.get().events == "needlestick"
    assert any(each.startswith("Something here is no serious event") for each in warned(report))


def test_what_the_sheet_has_no_column_for_is_said_once(stage: Stage) -> None:
    report = store(
        stage,
        sheet([("004512", "Ward 4 Tern", date(2026, 2, 10), "Y")], headings=("Staff no", "Unit", "Date", "Success")),
    )
    assert [each[:26] for each in warned(report)] == [
        "No column gives the patien",
        "No column tells of serious",
        "No column names supervisor",
        "No column tells the number",
    ]
    assert Outcome.objects.get().success == 1


def test_the_same_row_twice_is_kept_twice_and_said(stage: Stage) -> None:
    report = store(stage, sheet([stage.row(), stage.row()]))
    assert Insertion.objects.count() == 2
    assert "An earlier row says exactly the same: both are kept. Delete this one if it is a double." in warned(report)


# --- complete, partial, before the start ---


@pytest.mark.parametrize(
    ("day", "days", "becomes"),
    [
        (date(2026, 2, 10), DAYS, ("sheet", False)),
        (date(2026, 2, 10), None, ("sheet", True)),
        (date(2026, 1, 20), DAYS, ("sheet", True)),  # after the start, outside the days that are complete
        (date(2025, 12, 20), None, ("paper", False)),
        (date(2025, 12, 20), DAYS, ("paper", False)),
        (date(2025, 12, 20), (date(2025, 12, 1), date(2026, 2, 28)), None),
    ],
)
def test_the_table_of_complete_partial_and_before_the_start(
    stage: Stage, day: date, days: tuple[date, date] | None, becomes: tuple[str, bool] | None
) -> None:
    report = store(stage, sheet([stage.row(Date=day)]), days=days)
    if becomes is None:
        ((_, column, reason),) = told(report)
        assert column == "Date"
        assert reason.endswith("move the start day first, or import the sheet as partial.")
        assert not Insertion.objects.exists()
        return
    found = Insertion.objects.get()
    assert (found.source, found.partial) == becomes
    outcome = Outcome.objects.get()
    assert (outcome.safety, outcome.in_rate, outcome.volume) == (
        (1, int(not becomes[1]), 1) if becomes[0] == "sheet" else (0, 0, 0)
    )


def test_a_first_statement_sets_the_start_day_where_none_was_ever_set(stage: Stage) -> None:
    Setting.objects.filter(name="start_day").update(known_until_id=Act.objects.order_by("-seq")[0].seq)
    found = plan(stage, sheet([stage.row()]))
    assert found.statement.endswith("No start day was set there for Adult, landmark: it will be 1 February 2026.")
    store(stage, sheet([stage.row()]))
    made = Setting.objects.known().get(name="start_day")
    assert (made.unit, made.about, made.value, made.from_day) == (
        stage.cast.wards.ward, "ADULT", '"2026-02-01"', date(2026, 2, 1),
    )  # fmt: skip
    assert Insertion.objects.get().source == "sheet"
    # The next statement reaches further back than that start, and does not move it.
    further = store(stage, sheet([stage.row(Date=date(2026, 1, 20))]), days=(date(2026, 1, 1), date(2026, 2, 28)))
    assert told(further)[0][2].startswith("The start day of this unit is 1 February 2026")


def test_rows_stored_as_partial_stay_so_when_the_sheet_is_said_to_be_complete(stage: Stage) -> None:
    store(stage, sheet([stage.row()]), days=None)
    report = store(stage, sheet([stage.row()]))
    assert "1 entries are stored as partial or from paper already, and stay so." in warned(report)
    assert Insertion.objects.get().partial


# --- entries of the form ---


def on_form(stage: Stage, at: datetime, **changes: Any) -> None:
    from tests.audits.conftest import entry_of

    entry = entry_of(stage.ada, stage.cast.wards.ward, None, performed=at)
    attempt = AttemptMade(site="forearm", gauge=20, result="working", side="left")
    with clock.at(NOW):
        record_insertion(actor=stage.ada.user, entry=replace(entry, attempts=(attempt,), **changes))


@pytest.mark.parametrize(
    ("at", "becomes"),
    [(time(10, 9), "left_out"), (time(9, 50), "left_out"), (time(10, 11), "new"), (time(10, 30), "new")],
)
def test_a_row_that_was_entered_on_the_form_is_left_out(stage: Stage, at: time, becomes: str) -> None:
    on_form(stage, datetime.combine(date(2026, 2, 10), at))
    report = store(stage, sheet([stage.row()]))
    assert [str(each) for each in report.becomes] == [becomes]
    assert Insertion.objects.count() == (1 if becomes == "left_out" else 2)
    said = [each for each in warned(report) if each.startswith("An entry on the form looks the same")]
    assert len(said) == (becomes == "left_out")


def test_another_gauge_another_site_or_another_person_is_another_insertion(stage: Stage) -> None:
    on_form(stage, datetime(2026, 2, 10, 10, 0))  # noqa: DTZ001
    rows = [stage.row(Gauge="22"), stage.row(Site="R hand"), stage.row(Staff_no="004513")]
    assert store(stage, sheet(rows)).document()["stored"] == 3


def test_one_entry_of_the_form_stands_for_one_row(stage: Stage) -> None:
    on_form(stage, datetime(2026, 2, 10, 10, 0))  # noqa: DTZ001
    report = store(stage, sheet([stage.row(), stage.row(Time="10:05")]))
    assert [str(each) for each in report.becomes] == ["left_out", "new"]


def test_without_a_time_nobody_can_tell_and_the_row_is_kept_with_a_warning(stage: Stage) -> None:
    on_form(stage, datetime(2026, 2, 10, 10, 0))  # noqa: DTZ001
    report = store(stage, sheet([stage.row(Time="")]))
    assert Insertion.objects.count() == 2
    assert any("The row is kept." in each for each in warned(report))


# --- who may ---


def test_only_an_educator_imports_and_only_for_units_of_theirs(stage: Stage) -> None:
    for name in ("supervisor", "manager", "auditor", "administrator"):
        with pytest.raises(NotPermitted):
            plan(stage, sheet([stage.row()]), by=getattr(stage.cast, name))
    make_clinician(stage.cast.wards.other_ward, "Far Away", staff_number="008888")
    AppointmentFactory(user=stage.educator, role="educator", unit=stage.cast.wards.other_hospital)
    assert refused(stage, Staff_no="008888", Unit="Ward 1 Plover") == []


def test_days_that_are_no_days_are_refused_before_anything_is_read(stage: Stage) -> None:
    for days in ((date(2026, 2, 2), date(2026, 2, 1)), (date(2026, 2, 2), date(2026, 3, 3))):
        with pytest.raises(Problems):
            plan(stage, sheet([stage.row()]), days=days)


def test_a_plan_is_carried_out_by_who_made_it_and_as_it_was_shown(stage: Stage) -> None:
    from audits.logbook_sheets import MEANING, carry_out
    from people.signing import NotConfirmed, confirm
    from tests.factories import SECRET

    found = plan(stage, sheet([stage.row()]))
    other = confirm(user=stage.cast.manager, secret=SECRET, meaning=MEANING, digests=[found.digest])
    with pytest.raises(ValueError, match="signed by"):
        carry_out(signer=other, plan=found)
    unseen = confirm(user=stage.educator, secret=SECRET, meaning=MEANING, digests=["0" * 64])
    with pytest.raises(NotConfirmed):
        carry_out(signer=unseen, plan=found)
    assert not Insertion.objects.exists()
    assert not Act.objects.filter(kind="logbook.imported").exists()


def test_a_file_without_the_columns_that_are_needed_is_refused_whole(stage: Stage) -> None:
    with pytest.raises(FileRefused, match="no column for"):
        plan(stage, sheet([("Ward 4 Tern", date(2026, 2, 1))], headings=("Unit", "Date")))
    with pytest.raises(FileRefused):
        plan(stage, sheet([("a", "b")], headings=("Stock", "Shelf")))


def test_a_column_map_names_headings_that_no_synonym_knows(stage: Stage) -> None:
    own = ("Wer", "Wo", "Wann", "Wie")
    rows = [("004512", "Ward 4 Tern", date(2026, 2, 10), "Y")]
    columns: dict[str, str | None] = {"staff_number": "Wer", "unit": "Wo", "day": "Wann", "result": "Wie"}
    assert plan(stage, sheet(rows, headings=own), columns=columns).report.document()["stored"] == 1


def test_an_entry_of_the_form_is_never_taken_for_one_of_a_sheet(stage: Stage) -> None:
    InsertionFactory(clinician=stage.ada, unit=stage.cast.wards.ward, procedure=stage.procedure)
    report = store(stage, sheet([stage.row(Date=date(2026, 3, 2), Time="9:00")]), days=None)
    assert report.document()["stored"] == 1
