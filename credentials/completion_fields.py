"""What a row of a list of completions can say: the fields, the headings that educators give them, how each is read."""

import re
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from typing import Any

from audits.models import Completion
from sheets import cells, days
from sheets.cells import Parser, Refused, Warn, once, plain_number, silent, value_of
from sheets.choices import Choice, key, tokens
from sheets.headings import Field
from sheets.reading import Cell

Kind = Completion.Kind
_NOTHING = frozenset(("-", "--", "n/a", "na", "none", "nil", "no end", "no expiry", "does not expire", "ongoing"))
_NO_COMPLETION = "Nothing was completed here: leave the row out until it is."
_X = "An x can mean yes or no: write Y or N."

KINDS: Mapping[str, tuple[str, ...]] = {
    Kind.KNOWLEDGE: (
        "Knowledge test", "knowledge", "knowledge assessment", "knowledge check", "test", "written test", "e-test",
        "online test", "quiz", "online quiz", "exam", "examination", "online exam", "mcq", "multiple choice",
        "multiple choice test", "theory test", "theory exam", "theory quiz", "assessment of knowledge",
    ),
    Kind.THEORY: (
        "Theory session", "theory", "theory day", "theory module", "module", "online module", "e-module", "lecture",
        "class", "classroom", "tutorial", "study day", "in-service", "education session", "teaching session",
        "webinar", "theory component", "learning module", "e-learning",
    ),
    Kind.SIMULATION: (
        "Simulation session", "simulation", "sim", "sims", "sim session", "sim day", "simulated", "simulated practice",
        "manikin", "mannequin", "manikin session", "manikin practice", "task trainer", "arm trainer", "model arm",
        "practice arm", "skills lab", "skills session", "skills day", "skills station", "workshop", "practical",
        "practical session", "lab",
    ),
    Kind.POLICY: (
        "Policy read", "policy", "read policy", "policy reading", "policy acknowledged", "policy acknowledgement",
        "policy sign off", "policy signed", "guideline", "guideline read", "procedure read", "protocol read",
        "policy read and understood", "read and understood",
    ),
    Kind.RETURN: (
        "Return step completed", "return step", "return", "return to practice", "return step done",
        "refresher after absence", "refresher on return", "step of return",
    ),
}  # fmt: skip
_PASSED = ("passed", "pass", "competent", "satisfactory", "successful", "met", "achieved")
_NOT_PASSED = (
    "not passed", "did not pass", "fail", "failed", "not yet", "not yet competent", "nyc", "not competent",
    "unsatisfactory", "not satisfactory", "unsuccessful", "not successful", "not met", "not achieved", "resit",
)  # fmt: skip
# Words of a score that leave open what came of it: '18 out of 20, pass' says no more than 'pass'.
_BESIDE = frozenset("of out score mark marks percent per cent points point".split())  # noqa: SIM905

_kind: Choice[str] = Choice(KINDS)
_said: Choice[bool] = Choice({True: _PASSED, False: _NOT_PASSED})
_passed: Choice[bool] = Choice(
    {
        True: ("Y", "yes", "true", "t", "1", "✓", "✔", "☑", *_PASSED, "complete", "completed", "done", "attended",
               "finished", "read", "ok"),
        False: ("N", "no", "false", "f", "0", "✗", "✘", *_NOT_PASSED, "incomplete", "not complete", "not completed"),
    },
    unclear={
        **dict.fromkeys(("x", "×", "☒", "xx"), _X),
        **dict.fromkeys(
            ("absent", "did not attend", "dna", "not attended", "in progress", "not started", "enrolled", "booked",
             "registered", "pending", "withdrawn", "cancelled"),
            _NO_COMPLETION,
        ),
    },
)  # fmt: skip


def says_passed(score: str) -> bool | None:
    """What the words of a score say by themselves, 'Fail' or '18/20 (pass)'; None where only a pass mark could tell."""
    told = [word for word in tokens(score) if not word[0].isdigit() and word[0] != "-" and word not in _BESIDE]
    found = _said.look_up(key(told)) if told else None
    return found[0] if found else None


def _passed_or_not(cell: Cell, warn: Warn = silent) -> bool | None:
    value = value_of(cell)
    if isinstance(value, str) and value.casefold() in _NOTHING:
        return None
    try:
        return _passed(cell, warn)
    except Refused:
        scored = (isinstance(value, float | int) and not isinstance(value, bool)) or (
            isinstance(value, str) and any(sign.isdigit() for sign in value)
        )
        if scored:
            raise Refused(
                "A score does not tell whether it was passed, and no pass mark is guessed: write Y or N here, and the "
                "score under Score."
            ) from None
        raise


def _score(cell: Cell, warn: Warn = silent) -> str:
    """The result as it stands. A spreadsheet makes a day of '8/10' and 0.85 of 85%."""
    value = value_of(cell)
    if isinstance(value, date | datetime | time | timedelta):
        raise Refused("The spreadsheet turned this score into a date: format the column as text and type it again.")
    if isinstance(value, float | int) and not isinstance(value, bool):
        if 0 < value < 1:
            warn("A number below one was kept as it stands: if it is a percentage, write it with its sign, as 85%.")
        return plain_number(round(value, 6))
    return _text(cell)


def _text(cell: Cell, warn: Warn = silent) -> str:
    found = cells.text(cell)
    return "" if found.casefold() in _NOTHING else found


def _version(cell: Cell, warn: Warn = silent) -> str:
    return re.sub(r"^(?:version|ver|v)\b\.?\s*(?=\S)|^v(?=\d)", "", _text(cell), flags=re.IGNORECASE)


def _last_day(cell: Cell, warn: Warn = silent) -> date | None:
    if isinstance(cell, str) and cells.clean(cell).casefold() in _NOTHING:
        return None
    return days.day(cell, warn)


PARSERS: Mapping[str, Parser[Any]] = {
    "staff_number": cells.staff_number,
    "name": cells.text,
    "surname": cells.text,
    "first_name": cells.text,
    "procedure": once(_text),
    "kind": once(_kind),
    "about": once(_text),
    "version": once(_version),
    "day": days.day,
    "score": once(_score),
    "passed": once(_passed_or_not),
    "valid_through": _last_day,
    "verified_by": once(_text),
}

# fmt: off
FIELDS: tuple[Field, ...] = (
    Field("staff_number", "Staff number",
          ("staff no", "staff id", "employee number", "employee no", "employee id", "emp no", "emp id",
           "payroll number", "payroll no", "pay number", "assignment number", "personnel number", "staff #"),
          kind="staff number", required=True, example="004512", about="As the register has it, zeros included."),
    Field("name", "Name", ("full name", "staff name", "employee name", "employee", "clinician", "person", "learner",
                           "participant", "attendee"),
          example="Ada Okafor", about="Only compared with the staff number, so that no row goes to somebody else."),
    Field("surname", "Surname", ("last name", "family name"), about="Where the name stands in two columns."),
    Field("first_name", "First name", ("given name", "first names", "given names", "preferred name", "forename")),
    Field("kind", "Kind",
          ("type", "what was done", "type of completion", "completion type", "activity type", "kind of session",
           "type of session", "category", "event type", "activity"),
          kind="choice", required=True, choices=tuple(words[0] for words in KINDS.values()),
          about="Quiz, lecture, sim and other words of the trade are known too."),
    Field("day", "Day",
          ("date", "date completed", "completed on", "completion date", "date of completion", "date passed",
           "passed on", "test date", "session date", "date attended", "attended on", "date done", "done on",
           "date read", "read on"),
          kind="day", required=True, example="3 Nov 2025"),
    Field("score", "Score", ("mark", "grade", "percentage", "score or mark", "test score", "quiz score", "result"),
          example="18/20", about="As the paper says it: 18/20, 92%, or in words."),
    Field("passed", "Passed",
          ("pass/fail", "pass or fail", "passed?", "pass", "outcome", "status", "completion status", "result",
           "competent", "attended", "attendance", "present", "passed or attended", "result (pass/fail)"),
          kind="yes or no",
          about="Y or N. A test needs it, unless its score says pass or fail: no pass mark is guessed."),
    Field("procedure", "Procedure", ("procedure code", "skill", "competency", "for procedure", "programme", "program"),
          example="ADULT", about="Code or name. Empty only where the register has one procedure."),
    Field("about", "Title",
          ("what it was", "topic", "test", "quiz", "name of test", "test name", "session", "session title",
           "session name", "module", "module name", "course", "course title", "course name", "policy", "policy name",
           "policy title", "document", "document title", "subject"),
          example="Peripheral cannulation policy",
          about="Which test, session or policy it was. Needed for a policy that was read."),
    Field("version", "Version", ("policy version", "version number", "edition", "issue", "document version"),
          example="4.1", about="Of the policy or test; kept beside the title."),
    Field("valid_through", "Valid through",
          ("valid until", "valid to", "expires", "expiry", "expiry date", "expires on", "valid till", "last valid day"),
          kind="day", about="The last day on which it holds; empty if no end is set."),
    Field("verified_by", "Verified by",
          ("seen by", "checked by", "assessor", "assessed by", "facilitator", "facilitated by", "educator", "trainer",
           "instructor", "marked by", "signed by", "signed off by", "sign off", "recorded by", "proof seen by",
           "presenter", "who saw the proof"),
          example="Imogen Vale",
          about="Who saw the proof: a name, or a staff number or e-mail of the register. Empty: you, who sign."),
)
# fmt: on
NOTES = (
    "One row for each completion: a knowledge test, a theory or simulation session, a policy read, a return step.",
    "What was not passed may stand here as well: it is kept and counts for nothing.",
    "Staff only: nothing about patients.",
    "Import it again as often as you like: what is in the register already is passed over.",
)
LABELS = {field.name: field.label for field in FIELDS}
# About staff, whose names and numbers may be shown to whoever imports.
OF_STAFF = frozenset(field.name for field in FIELDS) - {"score", "about", "version"}
