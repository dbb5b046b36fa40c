"""The review: every standing judged anew from the evidence, compared, stored, and flags raised from what was found."""

import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from audits import outcomes
from audits.models import Procedure
from credentials.flags import raise_flags
from credentials.gathering import Pair, ground
from credentials.models import Standing
from credentials.rules.standing import answer_at
from credentials.standings import CHUNK, Judged, Refreshed, differences, judge_many, pairs_of, rebuild, refresh
from ledger import acts
from people.models import Clinician


@dataclass(frozen=True)
class Found:
    """One finding of a review, with names as sheets know them: staff number, procedure code."""

    clinician: str
    procedure: str
    rule: str
    figure: str
    threshold: str


@dataclass(frozen=True)
class Review:
    """What a review found. `differences` are set by a check: pairs whose stored standing is not what evidence gives."""

    on: date | None
    known: int
    clinicians: int
    standings: dict[str, int]
    findings: list[Found]
    flags_raised: int = 0
    seconds: float = 0.0
    differences: list[Pair] = field(default_factory=list)

    def document(self) -> dict[str, Any]:
        """The one document that `review --json` prints."""
        return {
            "on": self.on.isoformat() if self.on else "",
            "known": self.known,
            "clinicians": self.clinicians,
            "standings": self.standings,
            "findings": [vars(each) for each in self.findings],
            "flags_raised": self.flags_raised,
            "seconds": round(self.seconds, 3),
        }


def review_today() -> Review:
    """Rebuild the narrow table and every standing from the evidence, store them, and raise flags."""
    begun = time.monotonic()
    outcomes.rebuild()
    judged = rebuild()
    raised = raise_flags(judged)
    return _report(judged, on=max((each.on for each in judged), default=None), raised=raised.raised, begun=begun)


def review_on(day: date, known: int | None = None) -> Review:
    """What a review of another day finds, from what is known now or was at a number. Stores nothing, raises nothing."""
    begun = time.monotonic()
    base = ground(known)
    everyone = pairs_of()
    judged: list[Judged] = []
    for start in range(0, len(everyone), CHUNK):
        judged.extend(judge_many(everyone[start : start + CHUNK], on=day, known=known, at=base).values())
    return _report(judged, on=day, raised=0, begun=begun)


def check() -> list[Pair]:
    """Compare what is stored with what the evidence gives. Empty if all is equal."""
    return differences()


def daily() -> tuple[Refreshed, int]:
    """Judge whatever waits or is due by the calendar, and raise flags for it. Returns what it did, and flags raised."""
    before = set(Standing.objects.values_list("clinician", "procedure", "known"))
    done = refresh()
    after = set(Standing.objects.values_list("clinician", "procedure", "known"))
    fresh = sorted({(clinician, procedure) for clinician, procedure, _ in after - before} | set(_with_findings()))
    raised = 0
    for start in range(0, len(fresh), CHUNK):
        raised += raise_flags(judge_many(fresh[start : start + CHUNK]).values()).raised
    return done, raised


def _with_findings() -> Iterable[Pair]:
    """Those whose stored findings ask for a review: a flag that was closed may have to be raised again."""
    return Standing.objects.filter(body__contains='"consequence":"review"').values_list("clinician", "procedure")


def _report(judged: list[Judged], *, on: date | None, raised: int, begun: float) -> Review:
    numbers = dict(Clinician.objects.values_list("pk", "staff_number"))
    codes = dict(Procedure.objects.values_list("pk", "code"))
    statuses = Counter(answer_at(each.standing, each.standing.home, on=each.on).status.value for each in judged)
    findings = [
        Found(numbers[each.clinician], codes[each.procedure], finding.rule, finding.figure, finding.threshold)
        for each in judged
        for finding in each.standing.findings
    ]
    return Review(
        on=on,
        known=acts.head(),
        clinicians=len({each.clinician for each in judged}),
        standings=dict(sorted(statuses.items())),
        findings=sorted(findings, key=lambda each: (each.clinician, each.procedure, each.rule, each.figure)),
        flags_raised=raised,
        seconds=time.monotonic() - begun,
    )
