"""What the office does: a list of completions, one of them withdrawn; accounts ended and opened again; corrections."""

import io
from datetime import date
from hashlib import sha256

from audits import completions
from audits.models import Completion
from config.demo.doors import Doors
from config.demo.groundplan import SALTMARSH
from config.demo.leads import ADMINISTRATOR
from config.demo.plan import Plan
from config.demo.stories import STORIES
from credentials import completion_sheets
from credentials.completion_fields import LABELS
from people import accounts, staffing, units
from people.models import User
from sheets.reading import read_workbook
from sheets.writing import write_csv

LISTED = ("disagreed", "not_yet", "disputed", "student")
COLUMNS = ("staff_number", "name", "kind", "day", "passed", "procedure", "about", "version")
POLICY = ("Peripheral cannulation", "3")


def tell(plan: Plan) -> None:
    plan.turn(plan.ago(100), _rename)
    plan.turn(plan.ago(37), lambda doors: _retitle(doors, "recognised"))
    plan.turn(plan.ago(24), lambda doors: accounts.end_account(actor=_office(doors), user=_user(doors, "left")))
    plan.turn(plan.ago(20), lambda doors: accounts.end_account(actor=_office(doors), user=_user(doors, "locum")))
    plan.turn(plan.ago(18), lambda doors: accounts.restore_account(actor=_office(doors), user=_user(doors, "locum")))
    plan.turn(plan.ago(18), lambda doors: _register_number(doors, "asked_supervisor"))
    plan.turn(plan.ago(15), lambda doors: _list(doors, plan))
    plan.turn(plan.ago(13), lambda doors: _withdraw(doors, "student"))


def _office(doors: Doors) -> User:
    return doors.users[ADMINISTRATOR.email]


def _user(doors: Doors, key: str) -> User:
    return doors.users[STORIES[key].number]


def _rename(doors: Doors) -> None:
    units.change_unit(actor=doors.first, unit=doors.units["renal"], name="Renal and Dialysis Unit Turnstone")


def _retitle(doors: Doors, key: str) -> None:
    """Registered as a nurse meanwhile."""
    clinician = doors.clinicians[STORIES[key].number]
    manager = doors.manager(doors.home(clinician.staff_number))
    staffing.change_clinician(actor=manager, clinician=clinician, name=clinician.name, profession="nurse")


def _register_number(doors: Doors, key: str) -> None:
    """A number mistyped when the account was opened; what was signed with it keeps it."""
    user = _user(doors, key)
    accounts.change_account(
        actor=_office(doors), user=user, name=user.name, profession=user.profession, registration="RN 003 880"
    )


def _list(doors: Doors, plan: Plan) -> None:
    """The library's list of who read the policy, signed by the educator."""
    day: date = plan.ago(16)
    rows = [
        (STORIES[key].number, STORIES[key].name, Completion.Kind.POLICY.label, day, "Y", "ADULT", *POLICY)
        for key in LISTED
    ]
    stream = io.BytesIO()
    write_csv(stream, [LABELS[name] for name in COLUMNS], rows)
    educator = doors.educator(SALTMARSH)
    tables = completion_sheets.read_tables(read_workbook(stream.getvalue(), name="policy-read.csv"))
    found = completion_sheets.plan_import(
        actor=educator, tables=tables, file=sha256(stream.getvalue()).hexdigest()
    )  # fmt: skip
    if found.report.has_refusals:
        raise RuntimeError(f"refused: {next(iter(found.report.problems.values()))}")
    signer = doors.confirm(educator, completion_sheets.MEANING, [found.digest])
    completion_sheets.carry_out(signer=signer, plan=found)


def _withdraw(doors: Doors, key: str) -> None:
    row = (
        Completion.objects.known()
        .select_related("clinician", "procedure")
        .get(clinician=doors.clinicians[STORIES[key].number], kind=Completion.Kind.POLICY)
    )
    reason = "The list had the wrong student of two with one family name."
    completions.withdraw_completion(actor=doors.educator(SALTMARSH), completion=row, reason=reason)
