"""What an observation comes to as it stands, and what is signed of it: content, digest, facts of its acts."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from audits import checklist
from audits.checklist import Fault, Mark, Marks, Phase, Purpose, Verdict
from audits.checklists import parsed
from audits.models import Observation, ObservationDraft
from audits.observation_kept import EMPTY, WORDS
from ledger.acts import instant
from ledger.canonical import canonical, digest


@dataclass(frozen=True, kw_only=True)
class Check:
    """An observation as it would be signed. `faults` are what is still to be marked or said, path first.

    `best` is the most that the marks allow (None for learning), `verdict` what the assessor's own word makes of
    it, None until it is given.
    """

    observation: Observation
    checklist: checklist.Checklist
    marks: Marks
    said: Mapping[str, Any]
    faults: tuple[Fault, ...]
    best: Verdict | None
    verdict: Verdict | None
    missed: tuple[str, ...]
    not_reached: tuple[str, ...]

    @property
    def marked(self) -> int:
        """How many steps are marked, of `len(checklist.steps)`."""
        return sum(step.key in self.marks for step in self.checklist.steps)

    @property
    def by_phase(self) -> tuple[tuple[Phase, int, int], ...]:
        """Each phase with how many of its steps are marked, and of how many."""
        of = {phase.key: self.checklist.steps_of(phase.key) for phase in self.checklist.phases}
        return tuple(
            (phase, sum(step.key in self.marks for step in of[phase.key]), len(of[phase.key]))
            for phase in self.checklist.phases
        )

    @cached_property
    def content(self) -> str:
        return canonical(
            {
                **begun_with(self.observation),
                "feedback": self.said["feedback"],
                "given": self.said["given"],
                "marks": {
                    key: {"mark": str(seen.mark), "note": seen.note, "reason": seen.reason}
                    for key, seen in self.marks.items()
                },
                "met": self.said["met"],
                "missed": list(self.missed),
                "next": self.said["next"],
                "rating": self.said["rating"],
                "recommended": self.said["recommended"],
                "stopped": self.said["stopped"],
                "verdict": str(self.verdict or ""),
            }
        )

    @cached_property
    def digest(self) -> str:
        return digest(self.content)


def check(observation: Observation) -> Check:
    """How the observation stands: what is marked, what is missing, what it would come to.

    Of a signed one, what was signed; of one that was given up, nothing is kept.
    """
    if observation.signed_id is not None:
        return checked(observation, json.loads(observation.content))
    draft = ObservationDraft.objects.filter(observation=observation).first()
    return checked(observation, draft.content if draft else {})


def checked(observation: Observation, kept: Mapping[str, Any]) -> Check:
    """The same, with what is kept of it at hand."""
    said = {**EMPTY, **kept}
    steps = parsed(observation.checklist)
    known = {step.key for step in steps.steps}
    marks = checklist.marks_of({key: each for key, each in said["marks"].items() if key in known and each.get("mark")})
    decides = observation.purpose == Purpose.DECISION
    if not decides:
        said["met"] = None
    stopped = bool(said["stopped"])
    best = checklist.best_verdict(steps, marks, stopped=stopped) if decides else None
    faults = [*checklist.unfinished(steps, marks), *_unsaid(said, steps, decides, best)]
    return Check(
        observation=observation,
        checklist=steps,
        marks=marks,
        said=said,
        faults=tuple(faults),
        best=best,
        verdict=None if said["met"] is None else best if said["met"] else Verdict.NOT_YET,
        missed=checklist.missed_critical(steps, marks),
        not_reached=checklist.not_reached_critical(steps, marks, stopped=stopped),
    )


def begun_with(row: Observation) -> dict[str, Any]:
    """What is fixed from the beginning, as the signed content says it."""
    return {
        "assessor": str(row.assessor.uuid),
        "checklist": str(row.checklist.uuid),
        "checklist_version": row.checklist.version,
        "clinician": str(row.clinician.uuid),
        "observed_at": instant(row.observed_at),
        "observed_on": row.observed_on.isoformat(),
        "procedure": row.procedure.code,
        "purpose": str(row.purpose),
        "second_of": _uuid(row.second_of),
        "setting": str(row.setting),
        "unit": str(row.unit.uuid),
        "uuid": str(row.uuid),
        "zone": row.zone,
    }


def begun_facts(row: Observation) -> dict[str, Any]:
    """What the act says that begins an observation."""
    return {**begun_with(row), "second_wanted": row.second_wanted}


def signed_facts(row: Observation) -> dict[str, Any]:
    """What the act of signing says of an observation, its signature aside: nothing of its free text."""
    return {
        "appointment": _uuid(row.appointment),
        "award": _uuid(row.award),
        "checklist": str(row.checklist.uuid),
        "digest": row.digest,
        "missed": row.missed.split(",") if row.missed else [],
        "purpose": row.purpose,
        "scope": _uuid(row.scope),
        "setting": row.setting,
        "verdict": row.verdict,
    }


def personal(found: Check) -> dict[str, Any]:
    """What was written in words, beside the act."""
    words: dict[str, Any] = {name: found.said[name] for name in WORDS if found.said[name]}
    steps = {key: {"note": seen.note, "reason": seen.reason} for key, seen in found.marks.items()}
    steps = {key: {part: text for part, text in each.items() if text} for key, each in steps.items()}
    if steps := {key: each for key, each in steps.items() if each}:
        words["steps"] = steps
    return words


def _unsaid(said: Mapping[str, Any], steps: checklist.Checklist, decides: bool, best: Verdict | None) -> list[Fault]:
    faults = []
    if said["rating"] is None:
        faults.append(Fault("rating", "Give your overall impression."))
    if not said["given"]:
        faults.append(Fault("given", "Say how closely this practice was supervised."))
    if not said["recommended"]:
        faults.append(Fault("recommended", "Say how closely you would supervise the next one."))
    if decides and said["met"] is None:
        faults.append(Fault("met", "Say what you decide."))
    if decides and said["met"] and best is Verdict.NOT_YET:
        faults.append(
            Fault("met", "A critical step was not met without a prompt, or not reached: it can only be 'not yet'.")
        )
    if said["stopped"] and not any(each.get("mark") == Mark.NOT_REACHED for each in said["marks"].values()):
        faults.append(Fault("stopped", "It stopped at a missed vein: mark the steps that were not reached."))
    return faults


def _uuid(row: Any) -> str | None:
    return None if row is None else str(row.uuid)
