"""Decisions that limit somebody: stand-down, suspension, withdrawal, re-supervision and return plans, and their ends.

Each is signed, keeps what it was made on (answer, terms, figures, the number at which they were known), and counts from
its day; nothing that was inserted meanwhile is erased. A flag leads to none of them by itself.

A plan or suspension that an educator decides on an open flag closes it in the same act: what the flag asked, what is
to be done, then has its answer. What follows (extended, ended, made stricter) belongs to the plan, and the page of the
flag tells it.
"""

import json
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import transaction

from audits.awards import NewRestriction, add_restriction, end_award, end_restriction, restriction_digest
from audits.freetext import text_problems
from audits.models import Award, Procedure, Restriction
from credentials.documents import terms
from credentials.flags import close_with
from credentials.models import Flag
from credentials.proposing import role_words
from credentials.rules.answers import Answer
from credentials.rules.standing import answer_at_home
from credentials.standings import judge_many, pairs_of
from credentials.supervising_again import met_at_end
from ledger.acts import Recording, recording
from ledger.canonical import canonical
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.clock import in_words
from people.models import Clinician, Placement
from people.problems import Problem, Problems, problem
from people.settings import book
from people.signing import Confirmed, digest_of
from people.spans import again, day, lock, swap
from people.tree import tree

Kind = Restriction.Kind
LONGEST_REASON = 500
PLANS = (Kind.PLAN, Kind.RETURN_PLAN)
PLAN_ANSWERS = (Answer.IN_ROOM, Answer.NEARBY)
MEANING = {
    Kind.STAND_DOWN: "stood down",
    Kind.SUSPENSION: "suspended",
    Kind.WITHDRAWAL: "award withdrawn",
    Kind.PLAN: "re-supervision plan opened",
    Kind.RETURN_PLAN: "return plan opened",
}
CLOSES_WITH = {Kind.PLAN: Flag.Outcome.PLAN, Kind.SUSPENSION: Flag.Outcome.SUSPENDED}
ENDED = {
    Kind.STAND_DOWN: "stand-down ended",
    Kind.SUSPENSION: "reinstated",
    Kind.PLAN: "re-supervision plan ended",
    Kind.RETURN_PLAN: "return plan ended",
}


@dataclass(frozen=True, kw_only=True)
class Decision:
    """What somebody is about to decide. `procedure` None: every one. A plan has an answer, a day and what it asks.

    A suspension may begin on a later day (`from_day`) and have a last one (`until_day` is the first day after it).
    """

    clinician: Clinician
    kind: str
    reason: str
    procedure: Procedure | None = None
    answer: Answer = Answer.NO
    due_on: date | None = None
    insertions: int = 0
    observations: int = 0
    flag: Flag | None = None
    from_day: date | None = None
    until_day: date | None = None

    @property
    def digest(self) -> str:
        """What is signed: the decision in every part, bound to the person.

        A stand-down is signed on one page, at once: its reason stands in the act beside the signature.
        """
        return digest_of(
            {
                "clinician": str(self.clinician.uuid),
                "procedure": self.procedure.code if self.procedure else None,
                "kind": str(self.kind),
                "answer": self.answer.value,
                "due_on": day(self.due_on),
                "insertions": self.insertions,
                "observations": self.observations,
                "flag": str(self.flag.uuid) if self.flag else None,
                "from": day(self.from_day),
                "until": day(self.until_day),
                "reason": "" if self.kind == Kind.STAND_DOWN else self.reason.strip(),
            }
        )


def decide(*, signer: Confirmed, decision: Decision) -> Restriction:
    """Limit somebody from today. A stand-down ends by itself; everything else is ended by another decision.

    Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    _require(access, decision.kind, decision.clinician)
    with transaction.atomic():
        clinician = lock(decision.clinician)
        on = _today(clinician)
        if found := _problems(decision, on):
            raise Problems(found)
        held = _require_fitting(decision, clinician, on)
        flag = _open_flag(decision.flag)
        with recording(actor=signer.user, kind=f"{decision.kind}.made", subject=clinician.uuid) as rec:
            made = add_restriction(
                rec,
                NewRestriction(
                    clinician=clinician,
                    procedure=decision.procedure,
                    kind=decision.kind,
                    answer=decision.answer.value,
                    from_day=decision.from_day or on,
                    until_day=stood_down_until(clinician, on)
                    if decision.kind == Kind.STAND_DOWN
                    else decision.until_day,
                    due_on=decision.due_on,
                    basis=_basis(decision, clinician, on),
                ),
            )
            for each in held if decision.kind == Kind.WITHDRAWAL else ():
                end_award(rec, each, on)
            _tell(rec, made, decision.reason)
            if flag is not None:
                close_with(rec, flag, outcome=CLOSES_WITH[Kind(decision.kind)], reason=decision.reason, on=on)
            signer.use(decision.digest, rec, role=role_at_home(access, clinician))
            return made


def stood_down_until(clinician: Clinician, on: date) -> date:
    """A stand-down holds through so many days after its own (a setting of the home unit), then ends by itself."""
    home = _last_home(clinician)
    above = tree().above(home) if home is not None else (tree().root,)
    return on + timedelta(days=book().value("stand_down_days", above, on=on) + 1)


def check(decision: Decision) -> None:
    """Raises Problems for a decision that could not be made today, before it is signed."""
    clinician = decision.clinician
    on = _today(clinician)
    if found := _problems(decision, on):
        raise Problems(found)
    _require_fitting(decision, clinician, on)


def end(*, signer: Confirmed, restriction: Restriction, reason: str, from_day: date | None = None) -> Restriction:
    """End it from a day (None: today): reinstate, end a stand-down early, close a plan. What is signed: `end_digest`.

    A plan whose terms are not met may be ended too: the reason says why, and have and need are kept with it. What was
    to begin later may be called off before. Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, restriction.clinician)
    if restriction.kind == Kind.WITHDRAWAL:
        raise problem("", "A withdrawal does not end: a new enrolment or award comes after it.")
    if found := text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why it ends."):
        raise Problems(found)
    with transaction.atomic():
        clinician = lock(restriction.clinician)
        on = _today(clinician)
        row = _open(restriction, on)
        last = max(from_day or on, row.from_day)
        if last < on or (row.until_day is not None and last >= row.until_day):
            until = f" and before {in_words(row.until_day)}" if row.until_day else ""
            raise problem("from_day", f"Give a day from {in_words(on)} on{until}.")
        with recording(actor=signer.user, kind=f"{row.kind}.ended", subject=clinician.uuid) as rec:
            signer.use(end_digest(restriction, reason, from_day), rec, role=role_at_home(access, clinician))
            basis = {**json.loads(row.basis), "ended": _as_it_stands(clinician, row.procedure, on)}
            if row.kind in PLANS:
                basis["met"] = met_at_end(row)
            made = end_restriction(rec, row, last, basis=canonical({**basis, "end_reason": reason.strip()}))
            _tell(rec, made, reason)
            return made


def extend(*, signer: Confirmed, restriction: Restriction, due_on: date, reason: str) -> Restriction:
    """Give a plan another last day. What is signed is `end_digest` with that day. Raises as `end`."""
    access = access_of(signer.user)
    access.require_about(Right.DECIDE, restriction.clinician)
    found = text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why it is extended.")
    if restriction.kind not in PLANS:
        raise ValueError(f"a {restriction.kind} has no day by which it should be done")
    with transaction.atomic():
        clinician = lock(restriction.clinician)
        on = _today(clinician)
        row = _open(restriction, on)
        if due_on <= on or (row.due_on is not None and due_on <= row.due_on):
            found.append(Problem("due_on", f"Give a day after {in_words(max(on, row.due_on or on))}."))
        if found:
            raise Problems(found)
        with recording(actor=signer.user, kind=f"{row.kind}.extended", subject=clinician.uuid) as rec:
            signer.use(end_digest(restriction, reason, due_on), rec, role=role_at_home(access, clinician))
            made = again(row, rec, due_on=due_on)
            swap([row], [made], rec)
            _tell(rec, made, reason)
            _touch(rec, made)
            return made


def end_digest(restriction: Restriction, reason: str, due_on: date | None = None) -> str:
    """What whoever ends it (from a day) or extends it (to a day) signs."""
    return digest_of(
        {
            "restriction": restriction_digest(restriction),
            "reason": reason.strip(),
            "day": day(due_on),
        }
    )


def standing_restrictions(clinician: Clinician, on: date, *, known: int | None = None) -> list[Restriction]:
    """Those that hold on this day, oldest first, as known now or then."""
    rows = Restriction.objects.known(known).on(on).filter(clinician=clinician)
    return list(rows.select_related("procedure", "clinician").order_by("from_day", "pk"))


def may_decide(access: Access, kind: str, clinician: Clinician) -> bool:
    """Whether this user may make this decision about this person."""
    right = Right.STAND_DOWN if kind == Kind.STAND_DOWN else Right.DECIDE
    return access.may_about(right, clinician)


_IS = {
    Kind.STAND_DOWN: "stood down",
    Kind.SUSPENSION: "suspended",
    Kind.WITHDRAWAL: "without an award that could be withdrawn",
    Kind.PLAN: "on a re-supervision plan",
    Kind.RETURN_PLAN: "on a return plan",
}


def _require(access: Access, kind: str, clinician: Clinician) -> None:
    if kind not in Kind.values:
        raise ValueError(f"kind {kind!r} is none of {', '.join(Kind.values)}")
    if not may_decide(access, kind, clinician):
        raise NotPermitted(f"{access.user.pk} may not decide a {kind} about clinician {clinician.pk}")


def _problems(decision: Decision, on: date) -> list[Problem]:
    found = text_problems("reason", decision.reason, longest=LONGEST_REASON, asked="Say why.")
    if decision.kind in PLANS:
        if decision.procedure is None:
            found.append(Problem("procedure", "A plan is about one procedure."))
        if decision.answer not in PLAN_ANSWERS:
            found.append(Problem("answer", "Say how closely supervised."))
        if decision.due_on is None or decision.due_on <= on:
            found.append(Problem("due_on", f"Give the last day of the plan, after {in_words(on)}."))
        if not 0 <= decision.insertions <= 100:
            found.append(Problem("insertions", "Give a number from 0 to 100."))
        if not 0 <= decision.observations <= 20:
            found.append(Problem("observations", "Give a number from 0 to 20."))
    elif decision.kind == Kind.WITHDRAWAL and decision.procedure is None:
        found.append(Problem("procedure", "An award is withdrawn for one procedure."))
    return found + _wrong_days(decision, on)


def _wrong_days(decision: Decision, on: date) -> list[Problem]:
    """Of a suspension alone the days may be chosen: from today on, and not backwards."""
    if decision.kind != Kind.SUSPENSION:
        if decision.from_day or decision.until_day:
            raise ValueError(f"a {decision.kind} begins today and ends by itself or by a decision")
        return []
    found = []
    first = decision.from_day or on
    if first < on:
        found.append(Problem("from_day", f"Give {in_words(on)} or a later day: what was done before is not undone."))
    if decision.until_day is not None and decision.until_day <= first:
        found.append(Problem("until_day", f"Give a last day from {in_words(first)} on."))
    return found


def _require_fitting(decision: Decision, clinician: Clinician, on: date) -> list[Award]:
    """The awards that stand; raises Problems where the decision does not fit what is there."""
    _require_about(decision, clinician)
    if _standing(clinician, decision.procedure, decision.kind, on):
        raise problem("", f"{clinician.name} is {_IS[Kind(decision.kind)]} already.")
    held = _awards(clinician, decision.procedure, on)
    if decision.kind == Kind.WITHDRAWAL and not held:
        raise problem("procedure", f"{clinician.name} holds no award for it that could be withdrawn.")
    if decision.kind == Kind.RETURN_PLAN and (held or not _ever_held(clinician, decision.procedure)):
        raise problem("procedure", f"A return plan is for an award that lapsed: {clinician.name} has none.")
    return held


def _require_about(decision: Decision, clinician: Clinician) -> None:
    """That the flag, if there is one, is about this person and procedure and may lead to such a decision."""
    flag = decision.flag
    if flag is None:
        return
    if flag.clinician_id != clinician.pk or decision.kind not in CLOSES_WITH:
        raise ValueError(f"flag {flag.uuid} does not lead to a {decision.kind} of clinician {clinician.pk}")
    if decision.procedure is not None and decision.procedure.pk != flag.procedure_id:
        raise problem("procedure", f"The question is about {flag.procedure.name}.")


def _open_flag(flag: Flag | None) -> Flag | None:
    """The flag, locked, if nobody closed it yet; one that was closed before stays what it is and is only named."""
    if flag is None:
        return None
    return Flag.objects.select_for_update().filter(pk=flag.pk, closed=None).first()


def _awards(clinician: Clinician, procedure: Procedure | None, on: date) -> list[Award]:
    """The awards of this procedure that stand, in grace too: all of them are withdrawn together."""
    rows = Award.objects.known().filter(clinician=clinician, procedure=procedure, until_day=None, from_day__lte=on)
    found = rows.select_related("clinician", "scope_unit").order_by("pk")
    return [each for each in found if on < each.expires_on + timedelta(days=terms(each.terms).grace_days)]


def _ever_held(clinician: Clinician, procedure: Procedure | None) -> bool:
    return Award.objects.known().filter(clinician=clinician, procedure=procedure).exists()


def _standing(clinician: Clinician, procedure: Procedure | None, kind: str, on: date) -> bool:
    rows = Restriction.objects.known().on(on).filter(clinician=clinician, kind=kind)
    return rows.filter(procedure=procedure).exists()


def _open(restriction: Restriction, on: date) -> Restriction:
    row = Restriction.objects.known().select_related("clinician", "procedure").filter(pk=restriction.pk).first()
    if row is None or (row.until_day is not None and row.until_day <= on):
        raise problem("", "This was ended or changed meanwhile: look at it again.")
    return row


def _today(clinician: Clinician) -> date:
    """The present day where this person works."""
    places, home = tree(), _last_home(clinician)
    return clock.today(places.zone(home if home is not None and home in places else places.root))


def _basis(decision: Decision, clinician: Clinician, on: date) -> str:
    return canonical(
        {
            "reason": decision.reason.strip(),
            "insertions": decision.insertions,
            "observations": decision.observations,
            "flag": str(decision.flag.uuid) if decision.flag else None,
            "stood": _as_it_stands(clinician, decision.procedure, on),
        }
    )


def _as_it_stands(clinician: Clinician, procedure: Procedure | None, on: date) -> list[dict[str, Any]]:
    """What the decision is made on: for each procedure the answer, the terms and findings, and when they were known."""
    pairs = [pair for pair in pairs_of([clinician.pk]) if procedure is None or pair[1] == procedure.pk]
    codes = dict(Procedure.objects.values_list("pk", "code"))
    found = []
    for (_, key), judged in sorted(judge_many(pairs).items()):
        at = answer_at_home(judged.standing, on=judged.on)
        lines = (*judged.standing.entry, *judged.standing.award, *judged.standing.renewal, *judged.standing.plan)
        found.append(
            {
                "procedure": codes[key],
                "known": judged.known,
                "on": on.isoformat(),
                "status": at.status.value,
                "may_insert": at.answer.value,
                "terms": [{"label": line.label, "have": line.have, "need": line.need} for line in lines],
                "findings": [
                    {"rule": each.rule, "figure": each.figure, "set": each.set_name, "version": each.set_version}
                    for each in judged.standing.findings
                ],
            }
        )
    return found


def _tell(rec: Recording, made: Restriction, reason: str) -> None:
    rec.content |= {
        "restriction": str(made.uuid),
        "restriction_digest": restriction_digest(made),
        "procedure": made.procedure.code if made.procedure else None,
        "from": day(made.from_day),
        "until": day(made.until_day),
        "due_on": day(made.due_on),
    }
    rec.personal = {"reason": reason.strip()}


def role_at_home(access: Access, clinician: Clinician) -> str:
    """As what this user signs about somebody: by their last home."""
    home = _last_home(clinician)
    return role_words(access.user, home) if home is not None else ""


def _last_home(clinician: Clinician) -> int | None:
    rows = Placement.objects.known().filter(clinician=clinician, home=True).order_by("-from_day", "-pk")
    found: int | None = rows.values_list("unit", flat=True).first()
    return found


def _touch(rec: Recording, made: Restriction) -> None:
    stale.touch([made.clinician_id], cause=rec.kind, act=rec.seq, procedure=made.procedure_id)
