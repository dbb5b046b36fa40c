"""Disagreements to their end: both sides' statements, and the decision of an educator who is neither.

An entry or a statement stands, is mended as somebody proposed, or is struck out; an observation stands or is struck
out, since what an assessor saw and signed is not changed by a third. Educators of the unit decide within the local
time; after it, those further up are asked as well.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from audits.corrections import add_decision, add_strike, digest_of_proposal
from audits.freetext import text_problems
from audits.logbook import touch
from audits.models import (
    Dispute,
    DisputeAnswer,
    Insertion,
    Observation,
    ObservationDispute,
    Proposal,
    Ruling,
    Statement,
)
from audits.outcomes import refresh
from ledger.acts import Recording, recording
from people import clock, stale
from people.access import Access, NotPermitted, Right, access_of
from people.models import Appointment, Clinician, User
from people.problems import Problem, Problems, problem
from people.settings import book
from people.signing import Confirmed, digest_of
from people.spans import lock
from people.tree import tree

Outcome = Ruling.Outcome
About = Dispute.About
AnyDispute = Dispute | ObservationDispute
MEANING = "decided a disagreement"
LONGEST_ANSWER, LONGEST_REASON = 1000, 500


@dataclass(frozen=True, slots=True)
class Sides:
    """Who is a side of a disagreement, by account: none of them decides it."""

    users: frozenset[int]
    clinician: int
    unit: int


def sides(dispute: AnyDispute) -> Sides:
    """The inserter or learner, whoever supervised, signed or assessed, and whoever opened or answered it."""
    return sides_of([dispute])[dispute]


def sides_of(disputes: Collection[AnyDispute]) -> dict[AnyDispute, Sides]:
    """The same for many, in a fixed number of queries."""
    rows = {each: about(each) for each in disputes}
    entries = [row.pk for row in rows.values() if isinstance(row, Insertion)]
    signers = _users(Statement.objects.known().filter(insertion__in=entries), "insertion")
    said = DisputeAnswer.objects.all()
    of_entries = _users(said.filter(dispute__in=[each.pk for each in disputes if isinstance(each, Dispute)]), "dispute")
    observed = [each.pk for each in disputes if isinstance(each, ObservationDispute)]
    of_observed = _users(said.filter(observation_dispute__in=observed), "observation_dispute")
    found = {}
    for each, row in rows.items():
        named = {each.by_id, row.clinician_user_id, row.clinician.user_id}
        if isinstance(row, Insertion):
            named |= {row.supervisor_id, *signers[row.pk], *of_entries[each.pk]}
        else:
            named |= {row.assessor_id, *of_observed[each.pk]}
        users = frozenset(user for user in named if user is not None)
        found[each] = Sides(users, row.clinician_id, row.unit_id)
    return found


def _users(rows: QuerySet[Any], of: str) -> dict[int, set[int]]:
    found: dict[int, set[int]] = defaultdict(set)
    for key, user in rows.values_list(of, "by"):
        found[key].add(user)
    return found


def about(dispute: AnyDispute) -> Insertion | Observation:
    return dispute.insertion if isinstance(dispute, Dispute) else dispute.observation


def answers(dispute: AnyDispute) -> QuerySet[DisputeAnswer]:
    """What was said so far, first to last."""
    return DisputeAnswer.objects.filter(**_key(dispute)).select_related("by").order_by("pk")


def may_answer(access: Access, dispute: AnyDispute) -> bool:
    """Whether this user is a side: the inserter or learner, who supervised, signed or assessed, and who opened it."""
    row = about(dispute)
    own = access.is_self(row.clinician) or access.user.pk in (row.clinician_user_id, dispute.by_id)
    if isinstance(row, Observation):
        return own or row.assessor_id == access.user.pk
    signed = Statement.objects.known().filter(insertion=row, by=access.user)
    return own or row.supervisor_id == access.user.pk or signed.exists()


def may_rule(access: Access, dispute: AnyDispute) -> bool:
    """Whether this user may decide it: an educator there who is no side of it."""
    found = sides(dispute)
    return access.may(Right.DECIDE, found.unit) and access.user.pk not in found.users


def limit_on(dispute: AnyDispute) -> date:
    """The first day on which those further up are asked as well."""
    if isinstance(dispute, Dispute):
        return dispute.limit_on
    above = tree().above(dispute.observation.unit_id)
    return dispute.opened_on + timedelta(days=book().value("dispute_days", above, on=dispute.opened_on))


def is_asked(
    access: Access, dispute: AnyDispute, found: Sides, deciders: Mapping[int, Iterable[tuple[int, int]]]
) -> bool:
    """Whether it waits for this user today: the nearest educators first, everybody above once the time is over.

    `found` are its sides; `deciders` gives for each unit the (account, distance) of the educators over it.
    """
    fit = [(user, far) for user, far in deciders.get(found.unit, ()) if user not in found.users]
    mine = [far for user, far in fit if user == access.user.pk]
    if not mine:
        return False
    return access.on >= limit_on(dispute) or min(mine) == min(far for _, far in fit)


def educators_over(units: Iterable[int], on: date) -> dict[int, list[tuple[int, int]]]:
    """For each unit the educators over it, each with how many steps up their appointment is. Two queries."""
    places = tree()
    above = {unit: places.above(unit) for unit in set(units) if unit in places}
    rows = Appointment.objects.known().on(on).filter(role=Appointment.Role.EDUCATOR, user__is_active=True)
    at: dict[int, list[int]] = {}
    for user, unit in rows.values_list("user", "unit"):
        at.setdefault(unit, []).append(user)
    return {
        unit: [(user, far) for far, each in enumerate(line) for user in at.get(each, ())]
        for unit, line in above.items()
    }


def answer(*, actor: User, dispute: AnyDispute, text: str) -> DisputeAnswer:
    """A side's own statement, kept for good. Raises NotPermitted, Problems: without words, or once it is decided."""
    if not may_answer(access_of(actor), dispute):
        raise NotPermitted(f"{actor.pk} is no side of dispute {dispute.pk}")
    if found := text_problems("text", text, longest=LONGEST_ANSWER, asked="Say how it was."):
        raise Problems(found)
    row = about(dispute)
    with transaction.atomic():
        lock(Clinician(pk=row.clinician_id))
        _require_open(dispute)
        with recording(
            actor=actor,
            kind="dispute.answered" if isinstance(row, Insertion) else "observation.dispute_answered",
            subject=row.uuid,
        ) as rec:
            rec.content["dispute"] = dispute.known_from_id
            rec.personal = {"text": text.strip()}
            made = DisputeAnswer.objects.create(
                **_key(dispute), by=actor, text=text.strip(), made_id=rec.seq, said_at=rec.recorded_at
            )
            stale.touch(cause=rec.kind, act=rec.seq)
            return made


def outcomes_of(dispute: AnyDispute) -> tuple[Outcome, ...]:
    """What may become of it; mended only where somebody proposed a change of the entry."""
    if isinstance(dispute, Dispute) and proposal_of(dispute) is not None:
        return (Outcome.STANDS, Outcome.MENDED, Outcome.STRUCK)
    return (Outcome.STANDS, Outcome.STRUCK)


def proposal_of(dispute: Dispute) -> Proposal | None:
    """The change of the entry that waits, if one does."""
    return Proposal.objects.known().filter(insertion=dispute.insertion).select_related("insertion", "by").first()


def ruling_digest(dispute: AnyDispute, outcome: str, reason: str) -> str:
    """What whoever decides signs: the disagreement as it stands with every statement, and the decision."""
    row = about(dispute)
    proposal = proposal_of(dispute) if isinstance(dispute, Dispute) else None
    return digest_of(
        {
            "about": str(row.uuid),
            "digest": row.digest,
            "dispute": dispute.known_from_id,
            "reason_of_dispute": dispute.reason,
            "answers": [[each.made_id, each.text] for each in answers(dispute)],
            "outcome": str(outcome),
            "proposal": digest_of_proposal(proposal) if proposal and outcome == Outcome.MENDED else None,
            "reason": reason.strip(),
        }
    )


def check(dispute: AnyDispute, *, outcome: str, reason: str) -> None:
    """Raises Problems for a decision that could not be made, before it is signed."""
    found = text_problems("reason", reason, longest=LONGEST_REASON, asked="Say why, for both sides to read.")
    if outcome not in outcomes_of(dispute):
        found.append(Problem("outcome", "Choose what becomes of it."))
    if found:
        raise Problems(found)


def rule(*, signer: Confirmed, dispute: AnyDispute, outcome: str, reason: str) -> Ruling:
    """Decide it: what is signed is `ruling_digest`. Raises NotPermitted, NotConfirmed, Problems.

    Struck out, an entry is withdrawn, a statement stands no longer and the entry waits for a signature again, an
    observation counts for nothing. Mended, a new version is written, which needs a countersignature of its own.
    """
    access = access_of(signer.user)
    if not may_rule(access, dispute):
        raise NotPermitted(f"{signer.user.pk} may not decide dispute {dispute.pk}")
    row = about(dispute)
    with transaction.atomic():
        lock(Clinician(pk=row.clinician_id))
        _require_open(dispute)
        check(dispute, outcome=outcome, reason=reason)
        with recording(
            actor=signer.user,
            kind="dispute.ruled" if isinstance(row, Insertion) else "observation.dispute_ruled",
            subject=row.uuid,
        ) as rec:
            signer.use(ruling_digest(dispute, outcome, reason), rec, role=access.printed_for(Right.DECIDE))
            rec.content |= {"dispute": dispute.known_from_id, "outcome": str(outcome)}
            rec.personal = {"reason": reason.strip()}
            type(dispute).objects.filter(pk=dispute.pk, known_until=None).update(
                known_until_id=rec.seq, decided_id=rec.seq, outcome=str(outcome)
            )
            made = Ruling.objects.create(
                **_key(dispute), outcome=outcome, reason=reason.strip(), by=signer.user,
                on=clock.today(tree().zone(row.unit_id)), known_from_id=rec.seq,
            )  # fmt: skip
            if isinstance(dispute, Dispute):
                _settle(rec, dispute, outcome, reason.strip())
            else:
                stale.touch([row.clinician_id], cause=rec.kind, act=rec.seq, procedure=row.procedure_id)
            return made


def struck_observations(known: int | None = None) -> QuerySet[Ruling]:
    """The rulings that struck an observation out, as known now or then."""
    return Ruling.objects.known(known).filter(outcome=Outcome.STRUCK, observation_dispute__isnull=False)


def _settle(rec: Recording, dispute: Dispute, outcome: str, reason: str) -> None:
    """What the decision does to the entry and its statement."""
    row = dispute.insertion
    proposal = proposal_of(dispute)
    if proposal is not None:
        add_decision(rec, proposal, agree=outcome == Outcome.MENDED)
    if outcome == Outcome.STRUCK:
        if dispute.about == About.STATEMENT:
            Statement.objects.known().filter(insertion=row).update(known_until_id=rec.seq)
        else:
            add_strike(rec, row, reason=f"Struck out after a disagreement: {reason}"[:300])
    refresh([row.uuid])
    touch([(row.clinician_id, row.procedure_id)], rec)


def _require_open(dispute: AnyDispute) -> None:
    if not type(dispute).objects.known().filter(pk=dispute.pk).exists():
        raise problem("", "It was decided or taken back meanwhile: look at it again.")


def _key(dispute: AnyDispute) -> dict[str, AnyDispute]:
    return {"dispute" if isinstance(dispute, Dispute) else "observation_dispute": dispute}


def of_sides(access: Access) -> list[AnyDispute]:
    """Open disagreements that others opened about what is one's own, or what one supervised, signed or assessed."""
    me = access.user
    mine = Q(insertion__clinician_user=me) | Q(insertion__supervisor=me)
    watched = Q(observation__clinician_user=me) | Q(observation__assessor=me)
    if access.clinician is not None:
        mine |= Q(insertion__clinician=access.clinician)
        watched |= Q(observation__clinician=access.clinician)
    entries = Dispute.objects.known().filter(mine).exclude(by=me).select_related("insertion", "by")
    observed = ObservationDispute.objects.known().filter(watched).exclude(by=me).select_related("observation", "by")
    return sorted([*entries, *observed], key=lambda each: (each.opened_on, each.known_from_id))


def open_ones(access: Access) -> list[AnyDispute]:
    """Every disagreement on the units where this user decides, the oldest first."""
    units = access.units_for(Right.DECIDE)
    here = Q(insertion__unit__in=units)
    entries = (
        Dispute.objects.known()
        .filter(here)
        .select_related(
            "insertion__clinician", "insertion__procedure", "insertion__unit", "insertion__supervisor", "by"
        )
    )
    watched = (
        ObservationDispute.objects.known()
        .filter(observation__unit__in=units)
        .select_related(
            "observation__clinician", "observation__procedure", "observation__unit", "observation__assessor", "by"
        )
    )
    return sorted([*entries, *watched], key=lambda each: (each.opened_on, each.known_from_id))
