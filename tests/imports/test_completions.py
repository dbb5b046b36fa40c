"""A list of completions, row by row: what is understood, passed over, refused beside its cell; who may; the act."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from audits.completions import withdraw_completion
from audits.models import Completion, Procedure
from audits.sheet_report import Report
from credentials.completion_fields import LABELS, says_passed
from credentials.completion_sheets import MEANING, Plan, carry_out, plan_import, read_tables
from ledger import clock
from ledger.models import Act
from ledger.verify import verify
from people.access import NotPermitted
from people.models import Clinician, Placement, Stale, User
from people.signing import NotConfirmed, confirm
from sheets.reading import read_workbook
from sheets.zipcheck import FileRefused
from tests.factories import (
    SECRET,
    AppointmentFactory,
    Cast,
    PlacementFactory,
    ProcedureFactory,
    an_act,
    make_cast,
    make_clinician,
)
from tests.imports.stage import NOW, told, warned
from tests.sheets import books

pytestmark = pytest.mark.django_db

USUAL: dict[str, Any] = {
    "staff_number": "004512", "name": "Ada Okafor", "procedure": "ADULT", "kind": "Quiz", "day": "12/2/2026",
    "score": "18/20", "passed": "Y", "verified_by": "Imogen Vale",
}  # fmt: skip
POLICY = {"kind": "Policy read", "about": "Cannulation policy", "version": "4.1", "score": "", "passed": ""}


@dataclass(frozen=True)
class Stage:
    cast: Cast
    procedure: Procedure
    ada: Clinician
    ben: Clinician

    @property
    def educator(self) -> User:
        return self.cast.educator


@pytest.fixture
def stage() -> Iterator[Stage]:
    with clock.at(NOW):
        cast = make_cast()
        procedure = ProcedureFactory(code="ADULT", name="Adult, landmark")
        ProcedureFactory(code="CHILD", name="Child, landmark", band="child")
        ada = make_clinician(cast.wards.ward, "Ada Okafor", staff_number="004512")
        ben = make_clinician(cast.wards.ward, "Ben Hale", staff_number="004513")
        yield Stage(cast, procedure, ada, ben)


def workbook(*rows: dict[str, Any]) -> bytes:
    full = [USUAL | row for row in rows]
    names = list(dict.fromkeys(name for row in full for name in row))
    lines = [[row.get(name, "") for name in names] for row in full]
    return books.sheets({"Tests": [[LABELS[name] for name in names], *lines]})


def planned(by: User, data: bytes) -> Plan:
    return plan_import(actor=by, tables=read_tables(read_workbook(data, name="list.xlsx")), file="0" * 64)


def signed(found: Plan) -> Report:
    if not found.has_work:
        return found.report
    signer = confirm(user=found.actor, secret=SECRET, meaning=MEANING, digests=[found.digest])
    return carry_out(signer=signer, plan=found)


def imported(stage: Stage, *rows: dict[str, Any], by: User | None = None) -> Report:
    return signed(planned(by or stage.educator, workbook(*rows)))


def became(report: Report) -> list[str]:
    return [str(each) for each in report.becomes]


def only() -> Completion:
    return Completion.objects.known().get()


# --- what a row says ---


def test_a_row_stores_everything_that_it_says(stage: Stage) -> None:
    row = {"valid_through": "11 Feb 2028", "about": "Cannulation quiz", "version": "v2"}
    assert became(imported(stage, row)) == ["new"]
    made = only()
    assert (made.clinician, made.procedure, made.kind, made.on) == (
        stage.ada, stage.procedure, "knowledge", date(2026, 2, 12),
    )  # fmt: skip
    assert (made.result, made.passed, made.about) == ("18/20", True, "Cannulation quiz, version 2")
    # Valid through the 11th: the first day on which it no longer holds is the 12th.
    assert (made.valid_until, made.verified_by) == (date(2028, 2, 12), "Imogen Vale")


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("Knowledge test", "knowledge"), ("e-test", "knowledge"), ("E Test", "knowledge"), ("MCQ", "knowledge"),
        ("theory", "theory"), ("Study Day", "theory"), ("in-service", "theory"), ("eLearning", "theory"),
        ("sim", "simulation"), ("Manikin", "simulation"), ("skills lab", "simulation"), ("Workshop", "simulation"),
        ("policy read", "policy"), ("Policy", "policy"), ("Read & understood", "policy"),
        ("Return step", "return"), ("return to practice", "return"),
    ],
)  # fmt: skip
def test_the_trades_own_words_for_what_it_was_are_known(stage: Stage, word: str, kind: str) -> None:
    """Common practice, no source."""
    if word == "Read & understood":
        word = "Read and understood"
    imported(stage, {"kind": word, "about": "Cannulation, version 4"})
    assert only().kind == kind


@pytest.mark.parametrize(
    ("score", "said"),
    [("Pass", True), ("FAILED", False), ("18/20 (pass)", True), ("9 of 20, fail", False), ("not yet competent", False),
     ("18/20", None), ("92%", None), ("85", None), ("", None), ("good", None), ("1", None), ("-1", None)],
)  # fmt: skip
def test_only_words_say_whether_a_score_passed(score: str, said: bool | None) -> None:
    assert says_passed(score) is said


@pytest.mark.parametrize(
    ("row", "passed"),
    [
        ({"passed": "Y"}, True), ({"passed": "pass"}, True), ({"passed": "Competent"}, True), ({"passed": True}, True),
        ({"passed": "N"}, False), ({"passed": "Fail"}, False), ({"passed": "NYC"}, False), ({"passed": "✗"}, False),
        ({"passed": "", "score": "Pass"}, True), ({"passed": "", "score": "12/20 fail"}, False),
        # Where nobody can fail, being there is enough.
        ({"passed": "", "score": "", "kind": "sim"}, True), ({"passed": "attended", "score": "", "kind": "sim"}, True),
        ({**POLICY}, True), ({**POLICY, "passed": "-"}, True),
    ],
)  # fmt: skip
def test_whether_it_was_passed_is_read_and_never_guessed(stage: Stage, row: dict[str, Any], passed: bool) -> None:
    imported(stage, row)
    assert only().passed is passed


@pytest.mark.parametrize(
    ("row", "column", "reason"),
    [
        ({"staff_number": ""}, "Staff number", "Give the staff number"),
        ({"staff_number": "9999"}, "Staff number", "Nobody in the register has this staff number"),
        ({"staff_number": "4.5E+12"}, "Staff number", "The staff number was cut short"),
        ({"name": "Hale, Ben"}, "Name", "This staff number is that of Ada Okafor"),
        ({"procedure": "X-RAY"}, "Procedure", "No procedure has this code or name; there are: ADULT, CHILD."),
        ({"procedure": ""}, "Procedure", "Say for which procedure; there are: ADULT, CHILD."),
        ({"kind": ""}, "Kind", "Say what it was"),
        ({"kind": "party"}, "Kind", "Write one of: Knowledge test, Theory session, Simulation session"),
        ({"day": ""}, "Day", "Give the day."),
        ({"day": "2/13/2026"}, "Day", "The month seems to stand first"),
        ({"day": "12/3/2026"}, "Day", "This day lies in the future."),
        ({"score": datetime(2026, 10, 8)}, "Score", "The spreadsheet turned this score into a date"),  # noqa: DTZ001
        ({"score": "pt MRN ZZ012349"}, "Score", "This looks like a record number."),
        ({"passed": ""}, "Passed", "Say whether it was passed, Y or N: no pass mark is guessed."),
        ({"passed": "", "score": ""}, "Passed", "Say whether it was passed"),
        ({"passed": "", "score": "17/20", "kind": "sim"}, "Passed", "Say whether it was passed"),
        ({"passed": "85%"}, "Passed", "A score does not tell whether it was passed, and no pass mark is guessed"),
        ({"passed": 17}, "Passed", "A score does not tell whether it was passed"),
        ({"passed": "x"}, "Passed", "An x can mean yes or no"),
        ({"passed": "did not attend"}, "Passed", "Nothing was completed here"),
        ({"passed": "perhaps"}, "Passed", "Write one of: Y, N."),
        ({"passed": "Y", "score": "fail"}, "Passed", "This and the score say the opposite"),
        ({"valid_through": "11/2/2026"}, "Valid through", "It would end before it began."),
        ({"valid_through": "two years"}, "Valid through", "This is no date"),
        ({"verified_by": "nobody@x.example"}, "Verified by", "Nobody in the register has this e-mail"),
        ({"verified_by": "777777"}, "Verified by", "Nobody in the register has this staff number"),
        ({**POLICY, "about": ""}, "Title", "Say which policy was read, and its version."),
    ],
)
def test_a_row_that_cannot_be_taken_is_refused_beside_its_cell(
    stage: Stage, row: dict[str, Any], column: str, reason: str
) -> None:
    report = imported(stage, row, {"staff_number": "004513", "name": ""})
    # The good row beside it goes in.
    assert became(report) == ["refused", "new"]
    assert [(where, text[: len(reason)]) for _, where, text in told(report)] == [(column, reason)]
    assert only().clinician == stage.ben


def test_all_that_is_wrong_with_a_row_is_said_at_once(stage: Stage) -> None:
    report = imported(stage, {"staff_number": "9999", "kind": "party", "day": "soon", "passed": "?"})
    assert [column for _, column, _ in told(report)] == ["Kind", "Day", "Passed", "Staff number"]


def test_numbers_without_their_zeros_find_their_person_and_are_listed(stage: Stage) -> None:
    report = imported(stage, {"staff_number": 4512})
    assert only().clinician == stage.ada
    assert "Zeros at the beginning differ, and only one number fits: 4512 is 004512." in warned(report)


def test_days_come_as_days_as_text_and_as_bare_numbers(stage: Stage) -> None:
    days: list[Any] = [date(2026, 2, 1), "2/2/2026", "3 Feb 2026", 46057, "2026-02-05"]
    imported(stage, *({"day": day} for day in days))
    # ECMA-376 part 1, 18.17.4.1: serial 46057 is 4 February 2026.
    assert sorted(Completion.objects.values_list("on", flat=True)) == [date(2026, 2, day) for day in range(1, 6)]


def test_a_day_merged_over_several_people_is_everybodys(stage: Stage) -> None:
    def fill(book: Any) -> None:
        sheet = book.add_worksheet("Sim day")
        sheet.merge_range(0, 0, 0, 3, "Simulation for cannulation")
        for column, text in enumerate(("Date", "Employee no", "Type", "Procedure")):
            sheet.write_string(2, column, text)
        sheet.merge_range(3, 0, 4, 0, "10/2/2026")
        for row, number in ((3, "004512"), (4, "004513")):
            for column, text in ((1, number), (2, "Sim"), (3, "Adult, landmark")):
                sheet.write_string(row, column, text)
        sheet.write_string(6, 0, "Total")

    signed(planned(stage.educator, books.workbook(fill)))
    assert set(Completion.objects.values_list("clinician", "on")) == {
        (stage.ada.pk, date(2026, 2, 10)), (stage.ben.pk, date(2026, 2, 10)),
    }  # fmt: skip


def test_a_number_below_one_is_kept_and_asked_about(stage: Stage) -> None:
    report = imported(stage, {"score": 0.85})
    assert only().result == "0.85"
    assert any(each.startswith("A number below one was kept as it stands") for each in warned(report))


def test_what_was_not_passed_is_kept_without_a_last_day(stage: Stage) -> None:
    report = imported(stage, {"passed": "N", "valid_through": "11/2/2028"})
    assert (only().passed, only().valid_until) == (False, None)
    assert "It was not passed, so that no last day was kept." in warned(report)


@pytest.mark.parametrize("word", ["", "n/a", "No expiry", "-"])
def test_no_last_day_may_be_said_in_words(stage: Stage, word: str) -> None:
    imported(stage, {"valid_through": word})
    assert only().valid_until is None


def test_who_saw_the_proof_is_found_by_number_or_mail_and_else_vouched_for_by_who_signs(stage: Stage) -> None:
    rows = [
        {"verified_by": stage.cast.colleague.staff_number},
        {"verified_by": stage.cast.manager.email, "day": "13/2/2026"},
        {"verified_by": "Sister Vale", "day": "14/2/2026"},
        {"verified_by": "", "day": "15/2/2026"},
    ]
    found = planned(stage.educator, workbook(*rows))
    assert found.statement == (
        "4 completions of this list are to be stored as shown. 1 row does not say who saw the proof: it is you, "
        f"{stage.educator.name}."
    )
    signed(found)
    assert list(Completion.objects.order_by("on").values_list("verified_by", flat=True)) == [
        stage.cast.colleague.name, stage.cast.manager.name, "Sister Vale", stage.educator.name,
    ]  # fmt: skip


def test_without_a_procedure_the_only_one_there_is_is_meant(stage: Stage) -> None:
    Procedure.objects.filter(code="CHILD").delete()
    assert became(imported(stage, {"procedure": ""})) == ["new"]


def test_a_sheet_that_does_not_say_whom_what_and_when_is_no_list_of_completions(stage: Stage) -> None:
    data = books.sheets({"Staff": [["Staff number", "Date", "Name"], ["004512", "12/2/2026", "Ada"]]})
    with pytest.raises(FileRefused, match=r"No sheet holds completions. Staff: .*no column for Kind"):
        planned(stage.educator, data)


def test_columns_that_nobody_asked_for_are_named(stage: Stage) -> None:
    data = books.sheets({"T": [["Staff no", "Kind", "Date", "Procedure", "Came?", "Room"],
                               ["004512", "Sim", "12/2/2026", "ADULT", "no", "3"]]})  # fmt: skip
    assert "Not read, since no field claims them: Came?, Room." in warned(planned(stage.educator, data).report)


def test_score_and_result_stand_in_either_order_of_headings(stage: Stage) -> None:
    """'Score' beside 'Result': the first is the mark, the second says pass or fail; 'Result' alone may be either."""
    head = ["Staff no", "Kind", "Date", "Procedure"]
    row = ["004512", "Quiz", "12/2/2026", "ADULT"]
    signed(planned(stage.educator, books.sheets({"T": [[*head, "Result", "Score"], [*row, "Fail", "9/20"]]})))
    assert (only().result, only().passed) == ("9/20", False)
    later = [*row[:2], "13/2/2026", row[3], "Pass"]
    signed(planned(stage.educator, books.sheets({"T": [[*head, "Result"], later]})))
    assert Completion.objects.get(on=date(2026, 2, 13)).passed


# --- once and no more ---


def test_the_same_list_again_brings_nothing_and_needs_no_signature(stage: Stage) -> None:
    rows = [
        {},
        {"score": "12/20", "passed": "N", "day": "5/2/2026"},
        POLICY,
        {"kind": "sim", "score": "", "passed": ""},
    ]
    assert became(imported(stage, *rows)) == ["new"] * 4
    acts = Act.objects.count()
    assert became(imported(stage, *rows)) == ["already"] * 4
    # A grown list brings what is new; spelling changes nothing.
    grown = [*rows, {"day": "20/2/2026"}, {"score": " 18/20 ", "kind": "knowledge test", "staff_number": 4512}]
    assert became(imported(stage, *grown)) == ["already"] * 4 + ["new", "already"]
    assert Act.objects.count() == acts + 1
    assert Completion.objects.count() == 5


def test_a_second_try_on_the_same_day_is_another_completion(stage: Stage) -> None:
    report = imported(stage, {"score": "12/20", "passed": "N"}, {"score": "18/20"})
    assert became(report) == ["new", "new"]


def test_two_policies_read_on_one_day_are_two(stage: Stage) -> None:
    report = imported(stage, POLICY, {**POLICY, "version": "5"}, {**POLICY, "about": "Hand hygiene", "version": ""})
    assert became(report) == ["new"] * 3


def test_a_row_pasted_twice_is_stored_once(stage: Stage) -> None:
    report = imported(stage, {}, {})
    assert became(report) == ["new", "already"]
    assert "An earlier row says the same: it is stored once." in warned(report)


def test_what_stands_with_less_beside_it_is_taken_for_the_same(stage: Stage) -> None:
    """As a staff list brings them: that day, and no more. Nobody's one test becomes two."""
    imported(stage, {"score": "", "passed": "Y"})
    report = imported(stage, {"about": "Cannulation quiz"})
    assert became(report) == ["already"]
    assert any("without this score or title" in each and "withdraw that one" in each for each in warned(report))
    assert became(imported(stage, {"score": "", "about": "Another"}, {"score": ""})) == ["already"] * 2
    # Failed that day it was something else.
    assert became(imported(stage, {"score": "9/20", "passed": "N"})) == ["new"]


@pytest.mark.parametrize(
    ("change", "column", "reason"),
    [
        ({"passed": "N"}, "Passed", "In the register it was passed. If that is wrong, withdraw it"),
        ({"valid_through": "1/3/2028"}, "Valid through", "In the register it holds through 11 February 2028."),
    ],
)
def test_a_row_that_says_otherwise_than_what_stands_is_refused_with_advice(
    stage: Stage, change: dict[str, Any], column: str, reason: str
) -> None:
    imported(stage, {"valid_through": "11/2/2028"})
    report = imported(stage, {"valid_through": "11/2/2028", **change})
    assert [(where, text[: len(reason)]) for _, where, text in told(report)] == [(column, reason)]
    # The advice works: once it is withdrawn, the row comes in.
    withdraw_completion(actor=stage.educator, completion=only(), reason="The sheet was read wrongly.")
    assert became(imported(stage, {"valid_through": "11/2/2028", **change})) == ["new"]


def test_two_rows_that_say_the_opposite_are_not_both_taken(stage: Stage) -> None:
    report = imported(stage, {}, {"passed": "N"})
    assert became(report) == ["new", "refused"]
    assert told(report)[0][1:] == ("Passed", "In an earlier row it was passed. Mend one.")


# --- who may, and about whom ---


def test_each_row_is_judged_by_whom_it_is_about(stage: Stage) -> None:
    Clinician.objects.filter(pk=stage.ben.pk).update(user=stage.educator)
    stranger = make_clinician(stage.cast.wards.other_ward, "Far Away", staff_number="008000")
    report = imported(
        stage, {}, {"staff_number": "004513", "name": "Ben Hale"}, {"staff_number": "008000", "name": "Somebody Else"}
    )
    assert became(report) == ["new", "refused", "refused"]
    # The name of somebody out of reach is not told.
    assert [text for _, _, text in told(report)] == [
        "Nobody does this about themselves: let somebody else import or enter it.",
        "You are no educator of this person's unit.",
    ]
    assert not stranger.completions.exists()


@pytest.mark.parametrize("who", ["owner", "supervisor", "assessor", "manager", "auditor", "administrator"])
def test_others_import_no_completions(stage: Stage, who: str) -> None:
    with pytest.raises(NotPermitted):
        planned(stage.cast.users()[who], workbook({}))


# --- the act ---


def test_one_act_signed_with_a_digest_of_each_row_that_went_in(stage: Stage) -> None:
    imported(stage, {}, {"staff_number": "004513", "name": ""}, {"staff_number": "9999"})
    act = Act.objects.get(kind="completions.imported")
    assert len(act.facts["rows"]) == 2
    signature = act.facts["signature"]
    assert (signature["meaning"], act.actor) == (MEANING, stage.educator)
    assert "Educator" in signature["role"]
    assert "18/20" not in act.content
    assert set(Stale.objects.filter(act=act).values_list("clinician", flat=True)) == {stage.ada.pk, stage.ben.pk}
    assert verify().problems == ()


def test_a_plan_writes_nothing(stage: Stage) -> None:
    acts = Act.objects.count()
    planned(stage.educator, workbook({}))
    assert (Act.objects.count(), Completion.objects.count()) == (acts, 0)


def test_what_would_become_something_else_by_now_is_not_signed(stage: Stage) -> None:
    found = planned(stage.educator, workbook({}, {"staff_number": "008000", "name": "New Comer"}))
    late = make_clinician(stage.cast.wards.ward, "New Comer", staff_number="008000")
    signer = confirm(user=stage.educator, secret=SECRET, meaning=MEANING, digests=[found.digest])
    with pytest.raises(NotConfirmed):
        carry_out(signer=signer, plan=found)
    assert not Completion.objects.exists()
    assert not late.completions.exists()


def test_who_lost_the_right_meanwhile_stores_nothing(stage: Stage) -> None:
    found = planned(stage.educator, workbook({}))
    signer = confirm(user=stage.educator, secret=SECRET, meaning=MEANING, digests=[found.digest])
    Placement.objects.filter(clinician=stage.ada).update(known_until_id=an_act())
    PlacementFactory(clinician=stage.ada, unit=stage.cast.wards.other_ward)
    with pytest.raises(NotConfirmed):
        carry_out(signer=signer, plan=found)
    assert not Completion.objects.exists()


def test_a_plan_is_carried_out_by_nobody_else_and_not_when_it_is_empty(stage: Stage) -> None:
    found = planned(stage.educator, workbook({}))
    other = AppointmentFactory(role="educator", unit=stage.cast.wards.group).user
    signer = confirm(user=other, secret=SECRET, meaning=MEANING, digests=[found.digest])
    with pytest.raises(ValueError, match="signed by"):
        carry_out(signer=signer, plan=found)
    with pytest.raises(ValueError, match="empty"):
        carry_out(signer=signer, plan=replace(found, actor=other, new=()))


# --- many ---


def many(stage: Stage, rows: int, people: int) -> bytes:
    """Rows of this many people, each day with a kind of its own, all to be stored."""
    known = Clinician.objects.filter(staff_number__startswith="2").count()
    for number in range(known, people):
        person = Clinician.objects.create(staff_number=f"2{number:05}", name=f"Person {number}")
        PlacementFactory(clinician=person, unit=stage.cast.wards.ward)
    head = ["Staff no", "Procedure", "Kind", "Date", "Score", "Passed"]
    first = date(2024, 1, 1)
    lines = [
        [f"2{place % people:05}", "ADULT", "Quiz", first + timedelta(days=place // people), f"{place % 20}/20",
         "Y" if place % 5 else "N"]
        for place in range(rows)
    ]  # fmt: skip
    return books.sheets({"All": [head, *lines]})


def test_ten_thousand_rows_cost_as_many_queries_as_two_hundred_of_the_same_people(stage: Stage) -> None:
    counts = {}
    for rows in (200, 10_000):
        data = many(stage, rows, 50)
        Completion.objects.filter(known_until=None).update(known_until_id=Act.objects.order_by("seq").last().seq)
        with CaptureQueriesContext(connection) as plan_queries:
            found = planned(stage.educator, data)
        assert len(found.new) == rows
        signer = confirm(user=found.actor, secret=SECRET, meaning=MEANING, digests=[found.digest])
        with CaptureQueriesContext(connection) as write_queries:
            report = carry_out(signer=signer, plan=found)
        assert report.document()["stored"] == rows
        # On SQLite the driver is handed five thousand rows at a time.
        portions = -(-rows // 5000) if connection.vendor == "sqlite" else 0
        counts[rows] = (len(plan_queries), len(write_queries) - portions)
        assert Completion.objects.known().filter(passed=False).count() == rows // 5
        again = planned(stage.educator, data)
        assert (again.has_work, again.report.document()["already_stored"]) == (False, rows)
    assert counts[200] == counts[10_000]
