"""What an entry says, in words: for pages, check pages, differences and lists. Only `names` asks the database."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from audits.entry import AttemptMade, Difficulty, Entry
from audits.models import Insertion, Nearness, Result, Scored
from audits.vocabulary import ATTEMPT_RESULTS, BANDS, EVENTS, GAUGES, HELP, REASONS, SCALES, SIDES, SITES, TECHNIQUES
from people.clock import in_words
from people.models import Clinician, User
from people.tree import Tree

NOT_GIVEN = "Not given"
LABELS = {
    "clinician": "Inserted by",
    "performed": "When",
    "unit": "Unit",
    "band": "Patient",
    "result": "How it went",
    "attempts": "Attempts",
    "not_attempted": "Why no attempt",
    "technique": "Technique",
    "supervisor": "Supervisor",
    "nearness": "How near",
    "events": "Serious events",
    "emergency": "Emergency, nobody to supervise",
    "simulation": "Simulation",
    "others_before": "Punctures by others before",
    "occasion": "Joined occasion",
    "help_called": "Help called",
    "difficulty": "Difficult access",
    "comment": "Comment",
    "time_known": "Time of day known",
    "fold": "Which of two equal times",
    "withdrawn": "Withdrawn",
}


@dataclass(frozen=True)
class Names:
    """The names behind the identifiers in some entries."""

    people: Mapping[UUID, str]
    units: Mapping[UUID, str]

    def of(self, uuid: UUID | None, *, none: str) -> str:
        if uuid is None:
            return none
        return self.people.get(uuid) or self.units.get(uuid) or "somebody no longer in the register"


@dataclass(frozen=True, slots=True)
class Fact:
    """One line of a page: a label and what stands there. `parts` are lines of their own, such as attempts."""

    label: str
    value: str
    parts: tuple[str, ...] = ()


def names(entries: Iterable[Entry], tree: Tree) -> Names:
    """Everybody and every unit that these entries name. Two queries."""
    found = list(entries)
    clinicians = {each.clinician for each in found}
    supervisors = {each.supervisor for each in found if each.supervisor is not None}
    people = dict(Clinician.objects.filter(uuid__in=clinicians).values_list("uuid", "name"))
    people |= dict(User.objects.filter(uuid__in=supervisors).values_list("uuid", "name"))
    return Names(people, {node.uuid: tree.path(node.id) for node in tree.nodes.values()})


def attempt_words(attempt: AttemptMade) -> str:
    """Forearm, left, 20 G, pink, by sight and touch: not working (vein not entered)."""
    gauge = GAUGES[attempt.gauge].words if attempt.gauge in GAUGES else "gauge not recorded"
    where = SITES[attempt.site].words if attempt.site in SITES else "Site not recorded"
    side = SIDES[attempt.side].words.lower() if attempt.side in SIDES else ""
    how = _lower(_term(TECHNIQUES, attempt.technique))
    ended = _lower(_term(ATTEMPT_RESULTS, attempt.result))
    why = f" ({_lower(_term(REASONS, attempt.reason))})" if attempt.reason else ""
    return f"{', '.join(part for part in (where, side, gauge, how) if part)}: {ended}{why}"


def facts(entry: Entry, known: Names) -> list[Fact]:
    """All that an entry says, the routine questions first; what was asked and left open says so."""
    lines = [
        Fact(LABELS["performed"], _when(entry)),
        Fact(LABELS["unit"], known.of(entry.unit, none="")),
        Fact(LABELS["band"], _term(BANDS, entry.band)),
        Fact(LABELS["result"], str(entry.result.label)),
    ]
    if entry.attempts:
        lines.append(Fact(LABELS["attempts"], "", tuple(attempt_words(each) for each in entry.attempts)))
    else:
        lines.append(Fact(LABELS["not_attempted"], words("not_attempted", entry.not_attempted, known)))
        lines.append(Fact("Technique intended", _term(TECHNIQUES, entry.technique)))
    lines.append(Fact(LABELS["supervisor"], _supervised(entry, known)))
    lines.append(Fact(LABELS["events"], words("events", entry.events, known)))
    more = ("others_before", "occasion", "help_called", "difficulty", "emergency", "simulation", "comment")
    return lines + [
        Fact(LABELS[each], words(each, getattr(entry, each), known)) for each in more if getattr(entry, each)
    ]


def words(field: str, value: Any, known: Names) -> str:
    """One value of an entry as a page says it. `field` is its name in `Entry`, or 'withdrawn'."""
    if field in _WORDS:
        return _WORDS[field](value)
    if field in ("clinician", "unit", "supervisor"):
        return known.of(value, none="Nobody")
    if isinstance(value, bool):
        return "Yes" if value else "No"
    return NOT_GIVEN if value in ("", None) else str(value)


def summary(insertion: Insertion) -> str:
    """One line for a queue: Working first time; 1 puncture; serious event."""
    said = [str(Result(insertion.result).label)]
    if insertion.punctures:
        said.append("1 puncture" if insertion.punctures == 1 else f"{insertion.punctures} punctures")
    if insertion.taken_over:
        said.append("taken over")
    if insertion.events:
        said.append("serious event: " + ", ".join(_lower(_term(EVENTS, code)) for code in insertion.events.split(",")))
    if insertion.setting == Insertion.Setting.SIMULATION:
        said.append("simulation")
    return "; ".join(said)


def _when(entry: Entry) -> str:
    day = in_words(entry.performed.date())
    return f"{day}, {entry.performed:%H:%M}" if entry.time_known else f"{day}, time not known"


def _supervised(entry: Entry, known: Names) -> str:
    if entry.supervisor is None:
        return "Nobody: an emergency" if entry.emergency else "Nobody"
    near = f", {_lower(str(Nearness(entry.nearness).label))}" if entry.nearness else ", how near is not given"
    return known.of(entry.supervisor, none="") + near


def _difficulty(value: Difficulty | None) -> str:
    if value is None:
        return NOT_GIVEN
    scale = SCALES[value.scale]
    return f"{value.score} of {scale.highest} ({scale.words}). {Scored(value.scored).label}"


def _events(value: tuple[str, ...] | None) -> str:
    if value is None:
        return "Not asked by the sheet"
    return ", ".join(_term(EVENTS, code) for code in value) or "None"


def _term(terms: Mapping[str, Any], code: str) -> str:
    return terms[code].words if code in terms else code or NOT_GIVEN


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]


_WORDS: dict[str, Callable[[Any], str]] = {
    "performed": lambda value: f"{in_words(value.date())}, {value:%H:%M}" if isinstance(value, datetime) else NOT_GIVEN,
    "band": lambda value: _term(BANDS, value),
    "technique": lambda value: _term(TECHNIQUES, value),
    "not_attempted": lambda value: _term(REASONS, value),
    "attempts": lambda value: "; ".join(f"{n}. {attempt_words(each)}" for n, each in enumerate(value, 1)) or "None",
    "nearness": lambda value: str(Nearness(value).label) if value else NOT_GIVEN,
    "events": _events,
    "help_called": lambda value: _term(HELP, value),
    "difficulty": _difficulty,
    "fold": lambda value: {None: NOT_GIVEN, 0: "The first", 1: "The second"}[value],
    "others_before": str,
}
