"""More rows and people than fit into one question to the database: nothing is lost, nothing counted twice."""

from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from audits.models import Attempt, Insertion, Outcome
from ledger import clock
from people.models import Clinician
from tests.imports.stage import NOW, Stage, make_stage, plan, sheet, store

pytestmark = pytest.mark.django_db
ROWS, PEOPLE = 6_000, 600


@pytest.fixture
def stage() -> Iterator[Stage]:
    with clock.at(NOW):
        yield make_stage()


def test_thousands_of_rows_of_hundreds_of_people_come_in_once(stage: Stage) -> None:
    Clinician.objects.bulk_create(
        Clinician(staff_number=f"1{number:05}", name=f"Person {number}") for number in range(PEOPLE)
    )
    rows = [
        stage.row(
            Staff_no=f"1{number % PEOPLE:05}",
            Date=date(2026, 2, 1) + timedelta(days=number % 28),
            Time=f"{number // 600 + 8:02}:{number % 60:02}",
            Result="Y" if number % 7 else "N",
        )
        for number in range(ROWS)
    ]
    data = sheet([*rows, stage.row(Staff_no="?")])
    report = store(stage, data)
    assert report.document() | {"refused": 0, "warnings": 0} == {
        "rows": ROWS + 1, "stored": ROWS, "already_stored": 0, "corrections": 0, "refused": 0, "warnings": 0,
    }  # fmt: skip
    assert Insertion.objects.count() == Attempt.objects.count() == Outcome.objects.count() == ROWS
    assert Outcome.objects.filter(success=0).count() == sum(number % 7 == 0 for number in range(ROWS))
    again = plan(stage, data)
    assert (again.has_work, again.report.document()["already_stored"]) == (False, ROWS)
