"""The return step after a long absence, signed as done by an educator: with the evidence, or early with a reason.

Until somebody signs, the insertions since the return lift what it limits; supervising others waits for the signature.
"""

from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import transaction

from audits.completions import NewCompletion, add_completion, completion_digest
from audits.freetext import text_problems
from audits.models import Completion, Procedure
from credentials.restricting import role_at_home
from credentials.rules import return_step
from credentials.rules.progress import Line
from credentials.rules.standing import answer_at_home
from credentials.rules.status import status_on
from credentials.standings import Judged, judge_many
from ledger.acts import recording
from people.access import Right, access_of
from people.models import Clinician
from people.problems import Problems, problem
from people.signing import Confirmed, digest_of
from people.spans import lock

MEANING = "return step signed as done"
LONGEST_REASON = 120


@dataclass(frozen=True, kw_only=True)
class ReturnStep:
    """A return step that nobody has signed: the first day back, what was done since, and the number known."""

    clinician: Clinician
    procedure: Procedure
    on: date
    returned: date
    line: Line
    known: int
    status: str
    may_insert: str

    @property
    def is_early(self) -> bool:
        """Whether fewer were inserted than it asks for: ending it then takes a reason."""
        return not self.line.is_met

    def digest(self, reason: str) -> str:
        """What is signed."""
        return digest_of(
            {
                "clinician": str(self.clinician.uuid),
                "procedure": self.procedure.code,
                "returned": self.returned.isoformat(),
                "line": list(self.line),
                "reason": reason.strip(),
            }
        )


def step_from(judged: Judged, clinician: Clinician, procedure: Procedure) -> ReturnStep | None:
    """The return step at home that waits for a signature on the day judged, if one does. No query."""
    facts, on = judged.facts, judged.on
    found = status_on(facts, judged.figures, facts.home_line, on)
    returned = return_step.unsigned(facts, found.terms, on) if found.terms else None
    if found.terms is None or returned is None:
        return None
    at = answer_at_home(judged.standing, on=on)
    return ReturnStep(
        clinician=clinician,
        procedure=procedure,
        on=on,
        returned=returned,
        line=return_step.line(judged.figures, found.terms, returned),
        known=judged.known,
        status=at.status.value,
        may_insert=at.answer.value,
    )


def open_step(clinician: Clinician, procedure: Procedure) -> ReturnStep:
    """The return step as it stands today. Raises Problems where none waits for a signature."""
    pair = (clinician.pk, procedure.pk)
    step = step_from(judge_many([pair])[pair], clinician, procedure)
    if step is None:
        raise problem("", f"No return step of {clinician.name} waits for a signature.")
    return step


def check(step: ReturnStep, reason: str) -> None:
    """Raises Problems for words that could not be signed."""
    asked = "Fewer were inserted than the return step asks for: say why it ends now." if step.is_early else ""
    if found := text_problems("reason", reason, longest=LONGEST_REASON, asked=asked):
        raise Problems(found)


def sign_as_done(*, signer: Confirmed, clinician: Clinician, procedure: Procedure, reason: str = "") -> Completion:
    """Sign the return step as done from today, on what is shown today. Raises NotPermitted, NotConfirmed, Problems."""
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, clinician)
    with transaction.atomic():
        lock(clinician)
        step = open_step(clinician, procedure)
        check(step, reason)
        have = f"{step.line.have} of {step.line.need} supervised insertions"
        with recording(actor=signer.user, kind="return_step.signed", subject=clinician.uuid) as rec:
            made = add_completion(
                rec,
                NewCompletion(
                    clinician=clinician,
                    procedure=procedure,
                    kind=Completion.Kind.RETURN,
                    on=step.on,
                    verified_by=signer.printed_name,
                    result=f"{have}, ended early" if step.is_early else have,
                    about=reason.strip().removesuffix("."),  # it stands within a line
                ),
            )
            rec.content |= {
                "completion": str(made.uuid),
                "digest": completion_digest(made),
                "procedure": procedure.code,
                "stood": _stood(step),
            }
            rec.personal = {"reason": reason.strip()}
            signer.use(step.digest(reason), rec, role=role_at_home(access, clinician))
            return made


def _stood(step: ReturnStep) -> dict[str, Any]:
    """What it was made on."""
    return {
        "known": step.known,
        "on": step.on.isoformat(),
        "returned": step.returned.isoformat(),
        "have": step.line.have,
        "need": step.line.need,
        "note": step.line.note,
        "status": step.status,
        "may_insert": step.may_insert,
    }
