"""What an entry counts for: safety, credit and volume, three purposes that are never mixed. Pure.

Safety (rate, drift, repeated failure, attempts, events) takes an entry from the moment it is submitted. Credit (terms
of award, plans, returns) asks for a signature. Volume (renewal, volume, recency) is what the person logged.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from audits.figures import Credit, Safety

SIGNED = {"in_room": Credit.IN_ROOM, "nearby": Credit.NEARBY, "other_evidence": Credit.OTHER_EVIDENCE}


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """All of the version that stands which decides what it counts for.

    `statement` is the kind of the statement that stands on it ('' for none); `eligible` whether who signed it could, as
    is known now; `settled` what an educator decided where they could not ('counts', 'struck', '' for nothing yet);
    `dispute` what an open dispute is about ('' for none); `overdue` whether nobody decided it in time.
    A draft has no state: it is no entry yet.
    """

    simulation: bool = False
    attempted: bool = True
    withdrawn: bool = False
    emergency: bool = False
    paper: bool = False
    partial: bool = False
    statement: str = ""
    eligible: bool = True
    settled: str = ""
    dispute: str = ""
    overdue: bool = False


class Counts(NamedTuple):
    """For what an entry counts, as columns of `figures.Row`. Safety and credit are codes, the rest 0 or 1."""

    safety: int = Safety.NO
    credit: int = Credit.NONE
    volume: int = 0
    in_rate: int = 0
    partial: int = 0
    in_question: int = 0


NOTHING = Counts()


@lru_cache(maxsize=4096)
def counts(state: State) -> Counts:
    """The counts of an entry in this state."""
    if state.withdrawn:
        return NOTHING
    if state.simulation:
        # Never in a rate; towards simulation terms like any credit: once signed, and not while disputed.
        signed = state.attempted and state.statement in SIGNED and not state.dispute
        signed = signed and (state.eligible or state.settled != "struck")
        return Counts(credit=Credit.SIMULATION if signed else Credit.NONE)
    if state.paper:
        return Counts(credit=Credit.PAPER if state.attempted and not state.dispute else Credit.NONE)
    if state.dispute == "who":
        return _who_disputed(state)
    if not state.attempted:
        return Counts(safety=Safety.YES, partial=int(state.partial))
    credit = Credit.NONE
    if not state.dispute and not state.emergency and (state.eligible or state.settled != "struck"):
        credit = SIGNED.get(state.statement, Credit.NONE)
    return Counts(
        safety=Safety.YES,
        credit=credit,
        volume=1,
        in_rate=int(not state.partial),
        partial=int(state.partial),
        in_question=int(credit in (Credit.IN_ROOM, Credit.NEARBY) and not state.eligible and not state.settled),
    )


def why_no_credit(state: State, *, named: bool = True) -> str:
    """Why an entry gives no credit, in words; '' if it does. `named`: whether it names a supervisor."""
    if state.withdrawn:
        return "withdrawn"
    if not state.attempted:
        return "a no-attempt entry"
    if state.dispute:
        return "disputed, not counted until decided"
    if state.paper and not state.simulation:
        return ""
    if state.emergency and not state.simulation:
        return "an emergency with nobody to supervise"
    if state.statement not in SIGNED:
        return _why_unsigned(state.statement, named)
    if not state.eligible and state.settled == "struck":
        return "whoever signed it could not supervise then: an educator struck it from the count"
    return ""


def _why_unsigned(statement: str, named: bool) -> str:
    if statement == "sent_back":
        return "sent back by the supervisor, not countersigned"
    if statement == "not_me":
        return "the supervisor named says: not me"
    return "not countersigned yet" if named else "no supervisor named, not countersigned"


def why_no_volume(state: State) -> str:
    """Why an entry is no insertion that its clinician logged, in words; '' if it is."""
    if state.withdrawn:
        return "withdrawn"
    if state.simulation:
        return "in simulation, not with a patient"
    if state.paper:
        return "from paper, from before the start day"
    if state.dispute == "who":
        return "who inserted is disputed, not counted until decided"
    return "" if state.attempted else "a no-attempt entry"


def _who_disputed(state: State) -> Counts:
    """Events and attempts stay, saying that who inserted is disputed; past its time the entry is back in safety."""
    if not state.overdue:
        return Counts(safety=Safety.WHO_DISPUTED, partial=int(state.partial))
    return Counts(safety=Safety.YES, in_rate=int(state.attempted and not state.partial), partial=int(state.partial))


def is_success(*, first_time: bool, taken_over: bool) -> bool:
    """First-attempt success: the first puncture gave a working cannula, and nobody took over needle or cannula."""
    return first_time and not taken_over
