"""What a row of a staff list can say: the fields, the headings that staff offices give them, how each is read."""

import re
from collections.abc import Iterable, Mapping
from typing import Any

from people.models import Appointment, Placement, Profession
from sheets import cells, days
from sheets.cells import Parser, Refused, Warn, once, silent
from sheets.choices import Choice, key, tokens, yes_no
from sheets.headings import Field
from sheets.reading import Cell

Kind, Role = Placement.Kind, Appointment.Role
_NOTHING = frozenset(("-", "none", "nil", "no", "n", "n/a"))
_LIST = re.compile(r"\s*[;,+/]\s*|\s+and\s+", re.IGNORECASE)

PROFESSIONS: Mapping[str, tuple[str, ...]] = {
    Profession.NURSE: ("Registered nurse", "rn", "nurse", "clinical nurse", "cn", "cns", "cnc", "staff nurse"),
    Profession.ENROLLED_NURSE: ("Enrolled nurse", "enrolled_nurse", "en", "een", "practical nurse"),
    Profession.MIDWIFE: ("Midwife", "rm", "registered midwife"),
    Profession.DOCTOR: ("Doctor", "dr", "medical officer", "mo", "rmo", "jmo", "intern", "registrar", "consultant"),
    Profession.ANAESTHETIST: ("Anaesthetist", "anaesthetics", "anaesthetic registrar", "anaesthetic consultant"),
    Profession.NURSE_STUDENT: ("Nursing student", "nurse_student", "student nurse", "student rn"),
    Profession.MEDICAL_STUDENT: ("Medical student", "medical_student", "student doctor"),
    Profession.PARAMEDIC: ("Paramedic", "ambulance officer"),
    Profession.RADIOGRAPHER: ("Radiographer", "medical imaging technologist", "medical radiation technologist"),
    Profession.TECHNICIAN: ("Technician", "phlebotomist", "anaesthetic technician", "theatre technician"),
    Profession.OTHER: ("Other",),
}
KINDS: Mapping[str, tuple[str, ...]] = {
    Kind.EMPLOYED: ("Employed", "employee", "permanent", "perm", "full time", "part time", "ft", "pt", "fixed term",
                    "temporary", "contract", "staff"),
    Kind.BANK: ("Bank", "casual", "pool", "relief"),
    Kind.AGENCY: ("Agency", "agency staff"),
    Kind.STUDENT: ("Student", "student placement"),
    Kind.LOCUM: ("Locum", "locum doctor"),
}  # fmt: skip
ROLES: Mapping[str, tuple[str, ...]] = {
    Role.SUPERVISOR: ("Supervisor", "supervising", "sup"),
    Role.ASSESSOR: ("Assessor", "assessing"),
    Role.EDUCATOR: ("Educator", "clinical educator", "nurse educator"),
    Role.MANAGER: ("Manager", "num", "nurse unit manager", "unit manager", "nurse manager"),
    Role.AUDITOR: ("Auditor",),
    Role.ADMINISTRATOR: ("Administrator", "admin"),
}


def _one_of(words: Mapping[Any, Iterable[str]]) -> Parser[Any]:
    choice: Choice[Any] = Choice(words)
    return once(choice)


_professions: Choice[str] = Choice(PROFESSIONS)
_roles: Choice[str] = Choice(ROLES)


def _profession(cell: Cell, warn: Warn = silent) -> str | None:
    """The profession; grades and levels beside it are passed over, and what is none of the list is Other."""
    text = cells.text(cell)
    if not text:
        return None
    words = [word for word in tokens(re.sub(r"\([^)]*\)", " ", text)) if word.isalpha()]
    # 'Graduate RN level 2': the longest run of words that is a profession, the first of equals.
    runs = ((start, start + length) for length in range(len(words), 0, -1) for start in range(len(words) - length + 1))
    for start, end in runs:
        if known := _professions.look_up(key(words[start:end])):
            return known[0]
    warn("This is none of the professions of the list: kept as Other.")
    return Profession.OTHER


def _listed_roles(cell: Cell, warn: Warn = silent) -> tuple[str, ...]:
    found = []
    for part in _LIST.split(cells.text(cell)):
        if not part or key(tokens(part)) in ("none", "no", "n", "nil", "na", ""):
            continue
        known = _roles.look_up(key(tokens(part)))
        if known is None:
            raise Refused(f"Write one or more of: {_roles.choices()}; with a comma between them.")
        found.append(known[0])
    return tuple(dict.fromkeys(found))


def _listed(cell: Cell, warn: Warn = silent) -> tuple[str, ...]:
    parts = (part.strip() for part in re.split(r"[;,+]", cells.text(cell)))
    return tuple(dict.fromkeys(part for part in parts if part and part.casefold() not in _NOTHING))


def _email(cell: Cell, warn: Warn = silent) -> str | None:
    text = cells.text(cell).removeprefix("mailto:")
    if text.casefold() in ("", "-", "none", "nil", "n/a", "tbc", "tba"):
        return None
    if not re.fullmatch(r"[^\s@]+@[^\s@]+\.[^\s@.]+", text):
        raise Refused("This is no e-mail address: write it as name@hospital.example, or leave the cell empty.")
    return text


PARSERS: Mapping[str, Parser[Any]] = {
    "staff_number": cells.staff_number,
    "name": cells.text,
    "surname": cells.text,
    "first_name": cells.text,
    "profession": once(_profession),
    "email": _email,
    "registration": cells.text,
    "hospital": cells.text,
    "unit": cells.text,
    "kind": _one_of(KINDS),
    "home": once(yes_no),
    "from_day": days.day,
    "through": days.day,
    "roles": once(_listed_roles),
    "role_unit": cells.text,
    "role_from": days.day,
    "role_through": days.day,
    "learning": once(_listed),
    "learning_from": days.day,
    "knowledge_on": days.day,
    "simulation_on": days.day,
    "held": once(_listed),
    "awarded_on": days.day,
    "valid_through": days.day,
    "held_at": cells.text,
    "evidence_kind": cells.text,
    "evidence_place": cells.text,
}

# fmt: off
FIELDS: tuple[Field, ...] = (
    Field("staff_number", "Staff number",
          ("staff no", "staff id", "employee number", "employee no", "employee id", "emp no", "emp id",
           "payroll number", "payroll no", "pay number", "assignment number", "personnel number", "staff #"),
          kind="staff number", required=True, example="004512",
          about="As the hospital gave it, zeros included. Without one give the e-mail, and Sited gives a number."),
    Field("name", "Name", ("full name", "staff name", "employee name", "employee", "clinician", "person"),
          required=True, example="Ada Okafor", about="As it is printed beside a signature."),
    Field("surname", "Surname", ("last name", "family name"), about="Where the name stands in two columns."),
    Field("first_name", "First name", ("given name", "first names", "given names", "preferred name", "forename")),
    Field("profession", "Profession",
          ("position", "designation", "job title", "discipline", "classification", "position title", "occupation"),
          kind="choice", choices=tuple(words[0] for words in PROFESSIONS.values()), about="Other if none fits."),
    Field("email", "E-mail", ("email", "email address", "e-mail address", "mail", "work email", "work e-mail"),
          example="ada.okafor@wrenfield.example",
          about="Opens an account; its owner is invited separately. Needed for whoever signs."),
    Field("registration", "Registration number",
          ("registration", "registration no", "reg no", "reg number", "licence number", "licence no", "pin"),
          example="REG0004512", about="Printed beside a signature."),
    Field("hospital", "Hospital", ("campus", "facility", "hospital name", "site"), example="Saltmarsh Hospital"),
    Field("unit", "Unit",
          ("ward", "ward/unit", "unit/ward", "department", "home ward", "cost centre name", "work area", "area",
           "location", "ward name", "unit name"),
          example="Saltmarsh Hospital / Ward 4 Tern",
          about="Where the person works: Hospital / Ward. A unit that is not there yet is opened."),
    Field("kind", "Employment",
          ("employment type", "employment status", "contract type", "contract", "engagement", "type", "placement"),
          kind="choice", choices=tuple(words[0] for words in KINDS.values()), about="Empty means employed."),
    Field("home", "Home unit", ("home", "home unit y/n", "primary unit", "main unit", "is home"), kind="yes or no",
          about="Exactly one unit is home on any day. Empty: yes, unless another is."),
    Field("from_day", "From",
          ("start date", "date started", "commenced", "commencement date", "on unit since", "since", "start",
           "date from", "placed from", "placement from"),
          kind="day", example="1 Feb 2024", about="First day on the unit."),
    Field("through", "Through",
          ("end date", "finish date", "until", "to", "last day", "end", "date to", "contract end", "placement end"),
          kind="day", about="Last day on the unit; empty if no end is set."),
    Field("roles", "Appointed as",
          ("appointment", "appointments", "appointed to", "role in programme", "sited role", "supervisor/assessor",
           "supervising role"),
          example="Supervisor, Assessor",
          about="One or more of: " + ", ".join(words[0] for words in ROLES.values()) + "."),
    Field("role_unit", "Appointed at", ("appointment unit", "appointed on", "role at", "appointed for"),
          example="Saltmarsh Hospital", about="The unit and all below; empty means the unit of the row."),
    Field("role_from", "Appointed from", ("role from", "appointed since", "appointment from"), kind="day",
          about="Empty: from the first day on the unit."),
    Field("role_through", "Appointed through", ("role through", "appointed until", "appointment through", "role until"),
          kind="day"),
    Field("learning", "Learning", ("learning procedure", "training in", "trainee for", "enrolled for", "in training"),
          example="ADULT", about="Code or name of what the person is learning, several with a comma."),
    Field("learning_from", "Learning since",
          ("learning from", "training started", "training start date", "enrolled from", "enrolled on"),
          kind="day"),
    Field("knowledge_on", "Knowledge test",
          ("knowledge test date", "theory test", "theory completed", "theory", "online module", "module completed",
           "knowledge assessment"),
          kind="day", about="Day on which the knowledge test for it was passed."),
    Field("simulation_on", "Simulation session",
          ("simulation", "simulation date", "sim session", "skills session", "practical session", "workshop"),
          kind="day", about="Day of the simulation session for it."),
    Field("held", "Holds",
          ("holds procedure", "award held", "awarded procedure", "credentialed for", "competent in", "competency held",
           "held"),
          example="ADULT", about="Code or name of what was awarded before this register began."),
    Field("awarded_on", "Awarded on",
          ("awarded", "date awarded", "award date", "signed off", "signed off on", "sign-off date", "date competent"),
          kind="day"),
    Field("valid_through", "Valid through",
          ("valid until", "valid to", "expires", "expiry", "expiry date", "award expires"), kind="day",
          about="The last day on which it holds; empty: as long as the programme says."),
    Field("held_at", "Held at", ("award scope", "scope", "valid at", "valid for unit"),
          example="Saltmarsh Hospital", about="The unit and all below; empty means the unit of the row."),
    Field("evidence_kind", "Evidence", ("type of evidence", "evidence type", "evidence seen"),
          example="Signed competency form", about="What shows the award. Another person confirms it in the register."),
    Field("evidence_place", "Kept at", ("evidence kept", "evidence location", "where kept", "location of evidence",
                                        "kept where"),
          example="Education office, cabinet 2"),
)
# fmt: on
NOTES = (
    "One row for each person; further rows of the same person for a further unit, procedure or award.",
    "Staff only: nothing about patients.",
    "Import it again as often as you like: what is in the register already is passed over.",
)
LABELS = {field.name: field.label for field in FIELDS}
# All of it is about staff, whose names and numbers may be shown to whoever imports.
OF_STAFF = frozenset(field.name for field in FIELDS) - {"evidence_kind", "evidence_place"}
