"""One entry of the insertion log as its sender sends it: form, phone queue or sheet. Pure: no database, no clock.

`problems` says what is wrong with it in itself, `sent` and `entry_from` turn it into plain data and back, without loss.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from audits.freetext import text_problems
from audits.models import Nearness, Result, Scored, Technique
from audits.vocabulary import (
    ATTEMPT_RESULTS,
    BANDS,
    EVENTS,
    GAUGES,
    GUIDED,
    HELP,
    NOT_RECORDED,
    REASONS_FOR_ATTEMPT,
    REASONS_FOR_NO_ATTEMPT,
    SCALES,
    SIDES,
    SITES,
    TECHNIQUES,
)
from people.problems import Problem

MOST_ATTEMPTS = 20
LONGEST_COMMENT = 500
EARLIEST_YEAR = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class AttemptMade:
    """One skin puncture. A sheet that does not tell leaves `site` empty and `gauge` at NOT_RECORDED."""

    site: str
    gauge: int
    result: str
    side: str = ""
    technique: str = "landmark"
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difficulty:
    """Difficult access on a scale of `vocabulary.SCALES`, and when it was scored: 'before' the attempt or 'after'."""

    scale: str
    score: int
    scored: str

    @property
    def is_difficult(self) -> bool:
        return self.score >= SCALES[self.scale].difficult_from


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One clinician's part in one occasion. People and units are named by their UUIDs, all else by codes.

    performed: naive local time of the unit; with `time_known` false its date is meant. `fold` 0 or 1 says which, where
        the clocks made it happen twice.
    attempts: every skin puncture in order; none is 'no attempt made', which gives a reason in `not_attempted`.
    technique: that of the first attempt, or the one intended where there was none.
    events: codes of serious events; None only where a sheet has no such column.
    supervisor, nearness: who supervised and how near, as the clinician says; nobody is None and ''.
    emergency: nobody was there to supervise.
    occasion: the code of the occasion that is joined; '' begins a new one.
    others_before: punctures by others in this occasion before.
    """

    uuid: UUID
    clinician: UUID
    unit: UUID
    band: str
    performed: datetime
    events: tuple[str, ...] | None
    attempts: tuple[AttemptMade, ...] = ()
    not_attempted: str = ""
    technique: str = "landmark"
    supervisor: UUID | None = None
    nearness: str = ""
    emergency: bool = False
    simulation: bool = False
    time_known: bool = True
    fold: int | None = None
    occasion: str = ""
    others_before: int = 0
    difficulty: Difficulty | None = None
    help_called: str = ""
    comment: str = ""

    @property
    def result(self) -> Result:
        if not self.attempts:
            return Result.NO_ATTEMPT
        return Result.FIRST_TIME if self.attempts[0].result == "working" else Result.NOT_FIRST

    @property
    def taken_over(self) -> bool:
        return any(attempt.result == "taken_over" for attempt in self.attempts)

    @property
    def procedure(self) -> tuple[str, str]:
        """Patient band and technique of what was done: those of the first attempt."""
        used = self.attempts[0].technique if self.attempts else self.technique
        return self.band, Technique.ULTRASOUND if used in GUIDED else Technique.LANDMARK

    @property
    def difficult(self) -> str:
        """'before' or 'after' if access was difficult, by when it was scored; else ''."""
        return self.difficulty.scored if self.difficulty and self.difficulty.is_difficult else ""


def problems(entry: Entry, *, from_sheet: bool = False) -> list[Problem]:
    """What a person has to mend in an entry, beside its field ('attempts.0.site' is the site of the first attempt).

    A sheet may leave out what a form asks for: site, gauge, nearness, events and reasons.
    """
    return [*_when(entry), *_attempts(entry, from_sheet), *_people(entry, from_sheet), *_rest(entry, from_sheet)]


def _when(entry: Entry) -> Iterator[Problem]:
    if entry.performed.tzinfo is not None:
        raise ValueError(f"performed {entry.performed.isoformat()} has a zone; the unit's own time is meant")
    if entry.fold not in (None, 0, 1):
        raise ValueError(f"fold {entry.fold!r} is not None, 0 or 1")
    if entry.performed.year < EARLIEST_YEAR:
        yield Problem("performed", f"Check the year: {entry.performed.year} is before {EARLIEST_YEAR}.")


def _attempts(entry: Entry, from_sheet: bool) -> Iterator[Problem]:
    if not entry.attempts:
        if entry.not_attempted and entry.not_attempted not in REASONS_FOR_NO_ATTEMPT:
            yield Problem("not_attempted", "Choose a reason from the list.")
        elif not entry.not_attempted and not from_sheet:
            yield Problem("not_attempted", "Say why no attempt was made.")
    elif entry.not_attempted:
        yield Problem("not_attempted", "An attempt was made: take the reason for not attempting away.")
    if entry.technique not in TECHNIQUES:
        yield Problem("technique", "Choose a technique from the list.")
    elif entry.attempts and entry.attempts[0].technique != entry.technique:
        yield Problem("technique", "The technique of an entry is that of its first attempt.")
    if len(entry.attempts) > MOST_ATTEMPTS:
        yield Problem("attempts", f"More than {MOST_ATTEMPTS} attempts: check the number.")
    for place, attempt in enumerate(entry.attempts):
        last = place == len(entry.attempts) - 1
        for part, text in _attempt(attempt, last, from_sheet):
            yield Problem(f"attempts.{place}.{part}", text)


def _attempt(attempt: AttemptMade, last: bool, from_sheet: bool) -> Iterator[tuple[str, str]]:
    if attempt.site not in SITES and not (from_sheet and not attempt.site):
        yield "site", "Choose where the skin was punctured."
    if attempt.side and attempt.side not in SIDES:
        yield "side", "Choose left or right."
    if attempt.gauge not in GAUGES and not (from_sheet and attempt.gauge == NOT_RECORDED):
        yield "gauge", "Choose a gauge: " + ", ".join(str(gauge) for gauge in GAUGES) + "."
    if attempt.technique not in TECHNIQUES:
        yield "technique", "Choose a technique from the list."
    if attempt.result not in ATTEMPT_RESULTS:
        yield "result", "Say how this attempt ended."
    elif attempt.result in ("working", "taken_over") and not last:
        yield "result", "Nothing follows an attempt that worked or was taken over: a second cannula is another entry."
    if attempt.reason and (attempt.reason not in REASONS_FOR_ATTEMPT or attempt.result == "working"):
        yield "reason", "Take the reason away: it worked." if attempt.result == "working" else "Choose from the list."
    elif attempt.result == "stopped" and not attempt.reason and not from_sheet:
        yield "reason", "Say why you stopped."


def _people(entry: Entry, from_sheet: bool) -> Iterator[Problem]:
    if entry.supervisor is None:
        if entry.nearness:
            yield Problem("supervisor", "Say who was there, or that nobody was.")
    else:
        if entry.emergency:
            yield Problem("emergency", "Name the supervisor, or say that nobody was there: not both.")
        if not entry.nearness and not from_sheet:
            yield Problem("nearness", "Say how near your supervisor was.")
    if entry.nearness and entry.nearness not in Nearness.values:
        yield Problem("nearness", "Choose 'in the room' or 'nearby'.")
    if entry.emergency and entry.simulation:
        yield Problem("emergency", "A simulation is no emergency.")


def _rest(entry: Entry, from_sheet: bool) -> Iterator[Problem]:
    if entry.band not in BANDS:
        yield Problem("band", "Choose the patient's age group.")
    if entry.events is None:
        if not from_sheet:
            yield Problem("events", "Say whether anything serious happened.")
    elif len(set(entry.events)) != len(entry.events) or not set(entry.events) <= EVENTS.keys():
        yield Problem("events", "Choose from the list, each once.")
    if not 0 <= entry.others_before <= MOST_ATTEMPTS:
        yield Problem("others_before", f"Give a number from 0 to {MOST_ATTEMPTS}.")
    if entry.help_called and entry.help_called not in HELP:
        yield Problem("help_called", "Choose from the list.")
    if entry.difficulty is not None:
        yield from _difficulty(entry.difficulty)
    yield from text_problems("comment", entry.comment, longest=LONGEST_COMMENT)


def _difficulty(difficulty: Difficulty) -> Iterator[Problem]:
    scale = SCALES.get(difficulty.scale)
    if scale is None:
        yield Problem("difficulty", "Choose a scale from the list.")
    elif not 0 <= difficulty.score <= scale.highest:
        yield Problem("difficulty", f"This scale runs from 0 to {scale.highest}.")
    if difficulty.scored not in Scored.values:
        yield Problem("difficulty", "Say whether it was scored before the attempt or afterwards.")


def sent(entry: Entry) -> dict[str, Any]:
    """What the sender said, as plain data with one canonical text. Its UUID stands beside it, not in it."""
    difficulty = entry.difficulty
    return {
        "attempts": [
            {
                "gauge": attempt.gauge,
                "reason": attempt.reason,
                "result": attempt.result,
                "side": attempt.side,
                "site": attempt.site,
                "technique": attempt.technique,
            }
            for attempt in entry.attempts
        ],
        "band": entry.band,
        "clinician": str(entry.clinician),
        "comment": entry.comment,
        "difficulty": difficulty
        and {"scale": difficulty.scale, "score": difficulty.score, "scored": difficulty.scored},
        "emergency": entry.emergency,
        "events": None if entry.events is None else sorted(entry.events),
        "fold": entry.fold,
        "help_called": entry.help_called,
        "nearness": entry.nearness,
        "not_attempted": entry.not_attempted,
        "occasion": entry.occasion,
        "others_before": entry.others_before,
        "performed": entry.performed.isoformat(),
        "simulation": entry.simulation,
        "supervisor": None if entry.supervisor is None else str(entry.supervisor),
        "technique": entry.technique,
        "time_known": entry.time_known,
        "unit": str(entry.unit),
    }


def entry_from(uuid: UUID, said: Mapping[str, Any]) -> Entry:
    """The entry that `sent` turned into this data. Raises ValueError (KeyError, TypeError) for data that is none."""
    return Entry(
        **{
            **said,
            "uuid": uuid,
            "clinician": UUID(said["clinician"]),
            "unit": UUID(said["unit"]),
            "supervisor": None if said["supervisor"] is None else UUID(said["supervisor"]),
            "performed": datetime.fromisoformat(said["performed"]),
            "events": None if said["events"] is None else tuple(said["events"]),
            "attempts": tuple(AttemptMade(**attempt) for attempt in said["attempts"]),
            "difficulty": None if said["difficulty"] is None else Difficulty(**said["difficulty"]),
        }
    )
