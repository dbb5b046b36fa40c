"""Insertions, one by one, towards a line of progress: those taken within the caps, and what else they give."""

from collections.abc import Callable, Iterable, Sequence
from datetime import date

from audits.figures import Credit, Row
from credentials.rules.facts import Facts
from credentials.rules.pieces import IN_QUESTION, TO_COME, Entered, Kind, Piece, Time
from credentials.rules.terms import Terms
from credentials.rules.words import counted, day_words


class Taken:
    """The insertions with a patient: what is taken of them as supervised insertions, and the pieces that say so."""

    def __init__(self, own: Iterable[Entered], lent: Sequence[Entered], terms: Terms, time: Time) -> None:
        self.terms, self.time = terms, time
        self._own = _in_time(each for each in own if not each.simulation)
        self._inside = [each.row for each in self._own if not time.outside(each.day)]
        self._within = self._under_caps() | self._lent_within(lent)
        self.pieces = [
            *(self._piece(each, self._why_own) for each in self._own),
            *(self._piece(each, self._why_lent) for each in lent if not each.simulation),
        ]
        self._lent = [each.row for each in lent if each.row.insertion in self._within]

    @property
    def rows(self) -> list[Row]:
        """What counts, in order of time."""
        own = [row for row in self._inside if row.insertion in self._within]
        return sorted([*own, *self._lent], key=_when)

    @property
    def with_days(self) -> list[Row]:
        """What gives its day: what counts, and what would but for a cap on papers and other evidence."""
        own = [row for row in self._inside if row.insertion in self._within or row.credit in self._caps]
        return sorted([*own, *self._lent], key=_when)

    @property
    def _caps(self) -> dict[int, tuple[int, str]]:
        return {
            Credit.OTHER_EVIDENCE: (self.terms.other_evidence_cap, "accepted on other evidence"),
            Credit.PAPER: (self.terms.paper_cap, "from paper"),
        }

    def used(self, credit: int) -> int:
        """How many of this credit are there, counted or not."""
        return sum(row.credit == credit for row in self._inside)

    def _under_caps(self) -> set[int]:
        """Within a cap the first in time; where successes are asked for, those that worked first time before others."""
        found = {row.insertion for row in self._inside if row.credit and row.credit not in self._caps}
        if not self.terms.nearby_counts:
            found -= {row.insertion for row in self._inside if row.credit == Credit.NEARBY}
        asked = self.terms.successes > 0
        for credit, (cap, _) in self._caps.items():
            of_kind = [row for row in self._inside if row.credit == credit]
            of_kind.sort(key=lambda row: (asked and not row.success, *_when(row)))
            found |= {row.insertion for row in of_kind[:cap]}
        return found

    def _lent_within(self, lent: Iterable[Entered]) -> set[int]:
        fit = [each.row for each in _in_time(lent) if not self.time.outside(each.day) and self._is_lent(each.row)]
        return {row.insertion for row in fit[: self.terms.counts_from_cap]}

    def _is_lent(self, row: Row) -> bool:
        return row.credit == Credit.IN_ROOM or (row.credit == Credit.NEARBY and self.terms.nearby_counts)

    def _piece(self, each: Entered, why: Callable[[Row], str]) -> Piece:
        row, outside = each.row, self.time.outside(each.day)
        counts = row.insertion in self._within
        reason = outside or (each.no_credit or "not counted" if row.credit == Credit.NONE else why(row))
        return Piece(Kind.ENTRY, row.insertion, each.day, int(counts), reason, bool(outside))

    def _why_own(self, row: Row) -> str:
        counts = row.insertion in self._within
        if row.credit in self._caps:
            cap, words = self._caps[row.credit]
            return words if counts else f"{words}, more than the {cap} that count"
        return _counted(row) if counts else "countersigned ‘nearby’, which does not count here"

    def _why_lent(self, row: Row) -> str:
        if row.insertion in self._within:
            return _counted(row)
        if self._is_lent(row):
            return f"more than the {self.terms.counts_from_cap} that count from other procedures"
        if row.credit == Credit.NEARBY:
            return "countersigned ‘nearby’, which does not count here"
        return "of other procedures only what somebody supervised counts"


def entries(rows: Iterable[Row], weigh: Callable[[Row], tuple[int, str]]) -> list[Piece]:
    """A piece of each row, as `weigh` says what it gives, in this order."""
    return [Piece(Kind.ENTRY, row.insertion, date.fromordinal(row.day), *weigh(row)) for row in rows]


def success(row: Row) -> tuple[int, str]:
    """Whether it worked first time."""
    return (1, "worked first time") if row.success else (0, "did not work first time")


def supervisor(row: Row) -> int:
    """Who signed that they were there, 0 for nobody."""
    return row.supervisor if row.credit in (Credit.IN_ROOM, Credit.NEARBY) else 0


def each_new(of: Callable[[Row], int], thing: str) -> Callable[[Row], tuple[int, str]]:
    """The first of each counts; the others say which one was the first. Nothing (0) never counts."""
    first: dict[int, date] = {}

    def weigh(row: Row) -> tuple[int, str]:
        found, day = of(row), date.fromordinal(row.day)
        if not found:
            return 0, "nobody signed that they were there"
        if found not in first:
            first[found] = day
            return 1, "the first" if len(first) == 1 else f"another {thing}"
        same = "the same day as another" if thing == "day" else f"the same {thing} as on {day_words(first[found])}"
        return 0, same

    return weigh


def sessions(own: Iterable[Entered], time: Time) -> list[Piece]:
    """Logged simulation sessions: once signed."""
    found = []
    for each in own:
        if each.simulation:
            outside = time.outside(each.day)
            counts = not outside and each.row.credit == Credit.SIMULATION
            why = outside or (each.no_credit if not counts else "")
            found.append(Piece(Kind.ENTRY, each.row.insertion, each.day, int(counts), why, bool(outside)))
    return found


def _when(row: Row) -> tuple[int, int]:
    return row.time, row.tie


def _in_time(entered: Iterable[Entered]) -> list[Entered]:
    return sorted(entered, key=lambda each: _when(each.row))


def _counted(row: Row) -> str:
    return IN_QUESTION if row.in_question else ""


def recognised(facts: Facts, other_evidence: int, terms: Terms, on: date) -> list[Piece]:
    """Insertions recognised from elsewhere: they take what the cap on other evidence leaves."""
    room = max(0, terms.other_evidence_cap - other_evidence)
    found = []
    for each in sorted(facts.recognised, key=lambda each: each.day):
        if each.day > on:
            found.append(Piece(Kind.RECOGNISED, each.uuid, each.day, 0, TO_COME, True))
            continue
        counts = min(each.insertions, room)
        room -= counts
        why = f"{counted(each.insertions, 'insertion')} recognised from elsewhere"
        if counts < each.insertions:
            why += f", {counts} counted: other evidence counts up to {terms.other_evidence_cap}"
        found.append(Piece(Kind.RECOGNISED, each.uuid, each.day, counts, why))
    return found


def volume(each: Entered, time: Time) -> Piece:
    """An entry as an insertion that its clinician logged, signed or not."""
    row, outside = each.row, time.outside(each.day)
    counts = 0 if outside else row.volume
    why = outside or ("" if counts else each.no_volume or "not counted")
    return Piece(Kind.ENTRY, row.insertion, each.day, counts, why, bool(outside))


def tallied(facts: Facts, time: Time) -> list[Piece]:
    """Shift tallies: volume, and nothing else."""
    found = []
    for each in facts.tallies:
        outside = time.outside(each.day)
        why = outside or f"{counted(each.insertions, 'insertion')} of a shift tally"
        found.append(Piece(Kind.TALLY, "", each.day, 0 if outside else each.insertions, why, bool(outside)))
    return found
