"""The narrow row of an insertion, integers only, and the codes of its columns. Pure."""

from collections.abc import Iterable
from typing import NamedTuple

# Serious events. The place of a code is its bit in `Row.events` and never changes: new codes are added at the end.
EVENTS = (
    "arterial_puncture",
    "nerve_symptoms",
    "needlestick",
    "extravasation",
    "catheter_shear",
    "retained_tourniquet",
    "collapse",
    "allergic_reaction",
    "other",
)
ALL_EVENTS = (1 << len(EVENTS)) - 1


def event_bits(codes: Iterable[str]) -> int:
    """The bits of these events together. Raises ValueError for a code that is not one of `EVENTS`."""
    bits = 0
    for code in codes:
        if code not in EVENTS:
            raise ValueError(f"no serious event {code!r}; known: {', '.join(EVENTS)}")
        bits |= 1 << EVENTS.index(code)
    return bits


def event_codes(bits: int) -> tuple[str, ...]:
    """The codes of the events in these bits, in the order of `EVENTS`."""
    return tuple(code for place, code in enumerate(EVENTS) if bits >> place & 1)


class Row(NamedTuple):
    """One insertion as the measures see it: integers only, in path order (clinician, procedure, time, tie).

    `time` is epoch seconds, `day` a proleptic ordinal. `in_rate` is 1 when a first-attempt rate and the drift may use
    it; `safety` is a `Safety` code; `partial` is 1 for a row of a sheet that does not claim completeness for its day.
    `credit` is a `Credit` code; `supervisor` is a user's key or 0; `events` is the bits of its serious events (see
    `event_bits`); `total` is all punctures of the occasion known at entry, those of others included.
    """

    clinician: int
    procedure: int
    time: int
    tie: int
    insertion: int
    day: int
    in_rate: int
    success: int
    punctures: int
    total: int
    events: int
    safety: int
    credit: int
    in_question: int
    volume: int
    partial: int
    supervisor: int
    unit: int
    stratum: int


class Safety:
    """Codes of the safety column."""

    NO = 0
    YES = 1
    WHO_DISPUTED = 2  # an event or attempts finding stays and says so; never in a rate


class Credit:
    """Codes of the credit column: how an entry came to count towards terms of award, if it did."""

    NONE = 0
    IN_ROOM = 1
    NEARBY = 2
    OTHER_EVIDENCE = 3
    PAPER = 4
    SIMULATION = 5


class Stratum:
    """Bits of the stratum column: what a fair reader wants beside a raw rate."""

    RESCUE = 1  # others had tried before
    DIFFICULT = 2  # difficult access, scored before the attempt
    DIFFICULT_AFTER = 4  # difficult access, scored afterwards: shown, never adjusted with
