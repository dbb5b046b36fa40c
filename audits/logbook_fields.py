"""What a row of a logbook sheet can say: the fields with the headings that wards give them, and how each is read."""

from collections.abc import Iterable, Mapping
from typing import Any

from audits.vocabulary import (
    ATTEMPT_RESULTS,
    BANDS,
    EVENTS,
    GAUGES,
    HELP,
    NO_EVENT,
    REASONS,
    SIDES,
    SITES,
    TECHNIQUES,
    spoken,
    spoken_gauges,
)
from sheets import cells, days
from sheets.cells import Parser, Warn, silent
from sheets.choices import Choice, key, pair, tokens, yes_no
from sheets.headings import Field
from sheets.reading import Cell

LONGEST = 500
NOBODY = "nobody"
_NO_SUPERVISOR = frozenset(
    ("none", "nil", "nobody", "n/a", "na", "-", "--", "self", "independent", "unsupervised", "not supervised", "solo")
)
_X = "An x can mean yes or no: write what happened."

RESULTS: Mapping[str, tuple[str, ...]] = {
    "first_time": ("Working first time", "first time", "first pass", "success first attempt", "success 1st attempt"),
    "later": ("Working, not first time", "not first time", "success second attempt", "success 2nd attempt"),
    "working": (*spoken(ATTEMPT_RESULTS)["working"], "t", "✓", "✔", "☑", "inserted", "sited"),
    "failed": (*spoken(ATTEMPT_RESULTS)["failed"], "failure", "unable", "✗", "✘"),
    "stopped": spoken(ATTEMPT_RESULTS)["stopped"],
    "taken_over": spoken(ATTEMPT_RESULTS)["taken_over"],
    "no_attempt": ("No attempt made", "no attempt", "not attempted", "nil attempt", "no_attempt"),
}
# For the templates: what a person chooses from, without the words that leave the first attempt open.
RESULT_WORDS = tuple(RESULTS[code][0] for code in RESULTS if code != "working")
NEARNESS: Mapping[str, tuple[str, ...]] = {
    "in_room": ("In the room", "in_room", "in room", "room", "direct", "present", "watched", "y", "yes", "1"),
    "nearby": ("Nearby", "near", "indirect", "on the ward", "on ward", "available", "n", "no", "0"),
    NOBODY: ("Nobody", "none", "nil", "n/a", "na", "not supervised", "unsupervised", "independent", "solo"),
}
SIMULATED: Mapping[bool, tuple[str, ...]] = {
    True: ("Simulation", "y", "yes", "true", "1", "sim", "manikin", "mannequin", "task trainer", "model arm"),
    False: ("Patient", "n", "no", "false", "0", "real patient", "clinical"),
}

_result: Choice[str] = Choice(RESULTS, unclear={"x": _X, "×": _X, "☒": _X, "?": "Say how it went."})
_gauge: Choice[int] = Choice(spoken_gauges())
_site = pair(Choice(spoken(SIDES)), Choice(spoken(SITES)))
_event: Choice[str] = Choice({**spoken(EVENTS), "": NO_EVENT})


def _events(cell: Cell, warn: Warn = silent) -> tuple[str, ...]:
    """Serious events in one cell, parted by commas, semicolons or strokes; what is none of them is left out."""
    text = cells.text(cell)
    whole = _event.look_up(key(tokens(text)))
    if not text or whole is not None:
        return (whole[0],) if whole and whole[0] else ()
    found = []
    for part in text.replace(";", ",").replace("/", ",").replace(" and ", ",").replace("+", ",").split(","):
        if not (word := key(tokens(part))):
            continue
        known = _event.look_up(word)
        if known is None:
            warn("Something here is no serious event of the list and was left out. Write one of the list if it is.")
        elif known[0]:
            found.append(known[0])
    return tuple(dict.fromkeys(found))


def _reason(cell: Cell, warn: Warn = silent) -> str | None:
    text = cells.text(cell)
    found = _reasons.look_up(key(tokens(text))) if text else None
    if text and found is None:
        warn("The reason is none of the list and was left out.")
    return found[0] if found else None


_reasons: Choice[str] = Choice(spoken(REASONS))


def _one_of(words: Mapping[Any, Iterable[str]]) -> Parser[Any]:
    choice: Choice[Any] = Choice(words)
    return choice


def _supervisor(cell: Cell, warn: Warn = silent) -> str | None:
    text = cells.text(cell)
    return None if text.casefold() in _NO_SUPERVISOR else text or None


def _procedure(cell: Cell, warn: Warn = silent) -> str | None:
    return cells.text(cell) or None


PARSERS: Mapping[str, Parser[Any]] = {
    "staff_number": cells.staff_number,
    "name": cells.text,
    "hospital": cells.text,
    "unit": cells.text,
    "day": days.day_and_time,
    "time": days.time_of_day,
    "procedure": _procedure,
    "band": _one_of(spoken(BANDS)),
    "technique": _one_of(spoken(TECHNIQUES)),
    "result": _result,
    "first_time": yes_no,
    "attempts": cells.whole(0, 20),
    "attempt_number": cells.whole(1, 20),
    "site": _site,
    "side": _one_of(spoken(SIDES)),
    "gauge": _gauge,
    "reason": _reason,
    "supervisor": _supervisor,
    "nearness": _one_of(NEARNESS),
    "emergency": yes_no,
    "others_before": cells.whole(0, 20),
    "events": _events,
    "difficult": yes_no,
    "help_called": _one_of(spoken(HELP)),
    "simulation": _one_of(SIMULATED),
    "comment": cells.text,
    **{
        f"{name}_{number}": parser
        for number in (2, 3)
        for name, parser in (("site", _site), ("gauge", _gauge), ("result", _result))
    },
}


def _ordinals(what: str, *words: str, first: bool = False) -> tuple[str, ...]:
    """'2nd attempt site', 'attempt 2 site' and so on, for each word."""
    names = {"2": ("2nd", "second"), "3": ("3rd", "third"), "1": ("1st", "first")}
    return tuple(
        form
        for word in words
        for ordinal in names[what]
        for form in (f"{ordinal} attempt {word}", f"attempt {what} {word}", f"{word} {what}", f"{ordinal} {word}")
        if not (first and form == f"{word} {what}")
    )


def _later(number: str) -> tuple[Field, ...]:
    ordinal = {"2": "Second", "3": "Third"}[number]
    return (
        Field(
            f"site_{number}", f"{ordinal} attempt, site", _ordinals(number, "site"),
            about=f"Where the {ordinal.lower()} puncture was, if there was one.",
        ),
        Field(
            f"gauge_{number}", f"{ordinal} attempt, gauge", _ordinals(number, "gauge", "size"),
            about="Its gauge.",
        ),
        Field(
            f"result_{number}", f"{ordinal} attempt, result",
            _ordinals(number, "result", "outcome", "success"), kind="choice", choices=RESULT_WORDS[2:5],
            about="How it went.",
        ),
    )  # fmt: skip


# fmt: off
FIELDS: tuple[Field, ...] = (
    Field("staff_number", "Staff number",
          ("staff no", "staff id", "employee number", "employee no", "employee id", "emp no", "emp id",
           "payroll number", "payroll no", "pay number", "assignment number", "clinician number", "clinician id",
           "inserter staff number",
           "inserter id", "inserter number", "personnel number", "staff #", "staff"),
          kind="staff number", required=True, example="004512",
          about="Of whoever inserted, as in the staff list, zeros included."),
    Field("name", "Clinician",
          ("name", "staff name", "clinician name", "inserter", "inserter name", "inserted by", "inserted by name",
           "cannulated by", "employee name", "who"),
          example="Ada Okafor", about="Compared with the staff number, so that a wrong number is noticed."),
    Field("hospital", "Hospital", ("site name", "campus", "facility", "hospital name"), example="Saltmarsh Hospital",
          about="Where two hospitals have a unit of the same name."),
    Field("unit", "Unit",
          ("ward", "ward/unit", "unit/ward", "area", "department", "clinical area", "location", "ward name"),
          required=True, example="Saltmarsh Hospital / Ward 4 Tern",
          about="Where it was done: Hospital / Ward, or the ward's name. Not needed where the sheet bears its name."),
    Field("day", "Date",
          ("day", "insertion date", "date inserted", "date of attempt", "date performed", "date of procedure",
           "procedure date", "date/time", "date and time", "datetime", "performed on"),
          kind="day", required=True, example="3 Nov 2025", about="Day of the insertion, day first."),
    Field("time", "Time",
          ("insertion time", "time inserted", "time of attempt", "time performed", "time of procedure", "clock time"),
          kind="time", example="14:30", about="By the unit's clocks; empty if it is not known."),
    Field("procedure", "Procedure", ("procedure code", "procedure name", "competency"), example="ADULT",
          about="Code or name of the procedure; or give patient group and technique."),
    Field("band", "Patient group",
          ("age band", "age group", "patient type", "patient age group", "adult/child", "adult or child", "population",
           "patient band"),
          kind="choice", choices=tuple(term.words for term in BANDS.values()),
          about="Never a name, a number or a birth date."),
    Field("technique", "Technique", ("method", "guidance", "approach", "ultrasound"), kind="choice",
          choices=tuple(term.words for term in TECHNIQUES.values()), about="Empty means by sight and touch."),
    Field("attempts", "Attempts",
          ("number of attempts", "no of attempts", "total attempts", "punctures", "number of punctures",
           "how many attempts", "attempts made", "total punctures", "tries"),
          kind="whole number", example="1", about="Skin punctures by this clinician for this patient."),
    Field("attempt_number", "Attempt number",
          ("attempt no", "attempt #", "which attempt", "nth attempt", "puncture number", "puncture no"),
          kind="whole number", about="Only where each puncture has a row of its own: 1, 2, 3."),
    Field("result", "Result",
          ("outcome", "success", "successful", "successful y/n", "success y/n", "success/fail", "success or fail",
           "worked", "insertion successful", "cannulation successful", "insertion outcome",
           *_ordinals("1", "result", "outcome", first=True)),
          kind="choice", choices=RESULT_WORDS, required=True,
          about="Working: it ran or flushed without swelling or undue pain before you left."),
    Field("first_time", "First attempt",
          ("first attempt success", "1st attempt success", "first time", "first time success",
           "first attempt successful", "success first attempt", "success on first attempt", "1st attempt",
           "first pass success",
           "attempt 1 success", "worked first time"),
          kind="yes or no", about="Whether the first puncture by this clinician worked."),
    Field("site", "Site",
          ("insertion site", "cannula site", "vein", "vein/site", "anatomical site", "location of cannula", "position",
           "site of insertion", "iv site", "limb and site", *_ordinals("1", "site", first=True)),
          example="L forearm", about="Where the skin was punctured, with the side if you like."),
    Field("side", "Side", ("left/right", "l/r", "laterality", "arm", "left or right"), kind="choice",
          choices=tuple(term.words for term in SIDES.values()), about="If it does not stand with the site."),
    Field("gauge", "Gauge",
          ("cannula gauge", "cannula size", "size", "ivc size", "cannula", "g", "device size", "gauge/size",
           *_ordinals("1", "gauge", "size", first=True)),
          kind="choice", choices=tuple(f"{gauge} G" for gauge in GAUGES), about="Of the cannula."),
    Field("reason", "Reason if not",
          ("reason", "reason for failure", "failure reason", "if unsuccessful why", "if no why", "if failed why",
           "reason unsuccessful", "why not"),
          kind="choice", choices=tuple(term.words for term in REASONS.values()),
          about="Why it did not work, was stopped or was not attempted."),
    *_later("2"),
    *_later("3"),
    Field("supervisor", "Supervisor",
          ("supervised by", "supervisor name", "supervising clinician", "supervising nurse", "assessor",
           "countersigned by", "witness", "witnessed by", "observed by", "supervisor email", "supervisor staff number"),
          example="ben.hale@wrenfield.example",
          about="E-mail, staff number or full name of who supervised; empty if nobody did."),
    Field("nearness", "Supervisor in the room",
          ("supervisor near", "supervisor present", "supervision", "level of supervision", "supervision level",
           "direct or indirect", "supervisor where", "supervisor in room"),
          kind="choice", choices=tuple(words[0] for words in NEARNESS.values()), about="In the room, or nearby."),
    Field("emergency", "Emergency, nobody to supervise",
          ("emergency unsupervised", "emergency nobody to supervise", "emergency without supervisor"),
          kind="yes or no", about="Yes if it could not wait and nobody was there to supervise."),
    Field("others_before", "Attempts by others before",
          ("previous attempts by others", "prior attempts by others", "attempts by others", "other attempts",
           "previous attempts", "prior attempts"),
          kind="whole number", about="Punctures by somebody else for this patient before."),
    Field("events", "Serious events",
          ("serious event", "complications", "complication", "adverse event", "adverse events", "incident"),
          example="None", about="Of the list: " + ", ".join(term.words.lower() for term in EVENTS.values()) + "."),
    Field("difficult", "Difficult access", ("difficult", "difficult iv access", "diva", "difficult veins"),
          kind="yes or no", about="As judged afterwards."),
    Field("help_called", "Help called", ("escalated", "escalated to", "help", "called for help"), kind="choice",
          choices=tuple(term.words for term in HELP.values()), about="Who was called."),
    Field("simulation", "Simulation", ("setting", "simulated", "patient or simulation"), kind="choice",
          choices=tuple(words[0] for words in SIMULATED.values()), about="Simulation is never in a rate."),
    Field("comment", "Comment", ("comments", "notes", "note", "remarks", "free text", "other information"),
          about="Nothing that may tell who a patient is."),
)
# fmt: on
LABELS = {field.name: field.label for field in FIELDS}
NOTES = (
    "One row for each insertion: one clinician's part with one patient. A second cannula is another row.",
    "No patients: no names, no record numbers, no birth dates. A column that looks like record numbers is left out.",
    "Log what did not work as well: a rate without failures is no rate.",
)
