"""The answer for one clinician and procedure as one document: what commands and pages print, with its evidence."""

from dataclasses import dataclass
from datetime import date
from typing import Any

from audits.models import Procedure
from audits.statistics.proportions import wilson_interval
from credentials.gathering import facts_of, ground, people
from credentials.record import basis_on, doubt
from credentials.rules.asking import RECENT, ask_for
from credentials.rules.facts import Basis, Facts
from credentials.rules.reasons import Finding, Reason
from credentials.rules.standing import AnswerAt
from credentials.standings import Read, read
from credentials.wording import BASIS_WORDS
from people.models import Clinician
from people.tree import tree


@dataclass(frozen=True, eq=False)
class Answered:
    """An answer at a unit on a day, with the standing that it comes from.

    `basis` is how completely this person logs on that day; `doubt` why the rate cannot be judged, '' if it can.
    """

    clinician: Clinician
    procedure: Procedure
    unit: int | None
    path: str
    read: Read
    at: AnswerAt
    basis: Basis
    doubt: str

    @property
    def basis_words(self) -> str:
        """The logging basis as pages say it."""
        return BASIS_WORDS[self.basis]

    def document(self) -> dict[str, Any]:
        """The one document that `standing --json` prints."""
        recent = self.read.standing.recent
        last = recent.last_on
        has_rate = recent.insertions and not self.doubt
        return {
            "clinician": self.clinician.staff_number,
            "procedure": self.procedure.code,
            "unit": self.path,
            "on": self.read.on.isoformat(),
            "known": self.read.known,
            "status": self.at.status.value,
            "may_insert": self.at.answer.value,
            "from": _iso(self.at.starts),
            "expires_on": _iso(self.at.expires_on),
            "next_change_on": _iso(self.read.next_change_on),
            "figures": {
                "insertions": recent.insertions,
                "first_attempt_successes": recent.successes,
                "rate": recent.successes / recent.insertions if has_rate else None,
                "interval": interval(recent.successes, recent.insertions) if has_rate else None,
                "days_since_last": (self.read.on - last).days if last else None,
            },
            "logging_basis": self.basis.value,
            "not_assessable": self.doubt or None,
            "reasons": [*map(_reason, self.at.reasons), *map(_reason, self.read.standing.findings)],
        }


def answer(
    clinician: Clinician,
    procedure: Procedure,
    *,
    unit: int | None = None,
    on: date | None = None,
    known: int | None = None,
) -> Answered:
    """The answer at a unit (None: at home), on a day (None: today at home), as known now or at a number."""
    found = read(clinician.pk, procedure.pk, on=on, known=known)
    places = tree(known)
    home = found.standing.home
    above = places.above(unit) if unit is not None else home
    facts = _facts(clinician, procedure, found)
    window = ask_for(facts, found.on).windows[RECENT]
    path = places.path(above[0]) if above and above[0] in places else ""
    return Answered(
        clinician,
        procedure,
        above[0] if above else None,
        path,
        found,
        found.at(above),
        basis_on(facts, found.on),
        doubt(facts, window, found.standing.recent.partial),
    )


def _facts(clinician: Clinician, procedure: Procedure, found: Read) -> Facts:
    at = ground(found.known)
    return facts_of(people([clinician.pk], at)[clinician.pk], procedure.pk, at, found.on)


def interval(successes: int, insertions: int) -> list[float] | None:
    """The 95% Wilson interval of a first-attempt rate; None where nothing was logged."""
    if not insertions:
        return None
    found = wilson_interval(successes, insertions)
    return [float(found.lower), float(found.upper)]


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day else None


def _reason(each: Reason | Finding) -> dict[str, Any]:
    return {
        "rule": each.rule,
        "text": each.text,
        "threshold": each.threshold,
        "figure": each.figure,
        "evidence": list(each.evidence),
    }
