"""The ceiling that a kind of placement sets on a unit: a student there is a student, whatever they are elsewhere."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from credentials.rules.answers import Answer, strictest
from credentials.rules.facts import Span
from credentials.rules.reasons import Limit, Reason

RULE = "ceiling"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ceiling:
    """A placement as an answer at any unit needs it: where, from when to when, and the most that its kind allows."""

    unit: int
    kind: str
    home: bool
    gives: Answer | None
    span: Span


def ceiling_at(ceilings: Iterable[Ceiling], line: Sequence[int], on: date) -> Limit | None:
    """The limit at the first unit of this line (nearest first), or None.

    The nearest placement that covers the unit decides; of several equally near the strictest. Where none covers it, the
    home placement does.
    """
    there = [one for one in ceilings if one.span.covers(on)]
    near = next((unit for unit in line if any(one.unit == unit for one in there)), None)
    deciding = [one for one in there if (one.home if near is None else one.unit == near)]
    limits = [one.gives for one in deciding if one.gives is not None]
    if not limits:
        return None
    gives = strictest(limits)
    kinds = sorted({one.kind for one in deciding if one.gives is gives})
    text = f"On this placement ({', '.join(kinds)}) at most {gives.words}."
    return Limit(gives, Reason(rule=RULE, text=text, threshold=gives.words, figure=", ".join(kinds)))
