"""Whether disagreements and their ends are what their acts said: for `verify_ledger`."""

from collections.abc import Iterator
from typing import Any

from django.db.models import QuerySet

from audits.models import Dispute, DisputeAnswer, Reconsidered, Ruling
from audits.reconsidering import facts_of
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, personal_of, with_acts

RULED = {True: "dispute.ruled", False: "observation.dispute_ruled"}
ANSWERED = {True: "dispute.answered", False: "observation.dispute_answered"}


def register_all() -> None:
    verify.register("rulings", rulings)
    verify.register("closed disputes", closed_disputes)
    verify.register("statements of sides", answers)
    verify.register("signatures in question", reconsidered)


def rulings() -> Iterator[Problem]:
    """Each is what was signed, on the disagreement that its act closed; none is missing."""
    rows = Ruling.objects.select_related("dispute__insertion", "observation_dispute__observation")
    for seq, act, made in with_acts(rows, _acts(*RULED.values())):
        waits = act is not None
        for row in made:
            dispute = row.dispute or row.observation_dispute
            assert dispute is not None
            told = {"dispute": dispute.known_from_id, "outcome": row.outcome}
            whole = (
                act is not None
                and waits
                and (act.kind, act.subject, act.actor_id) == (RULED[row.dispute is not None], _subject(row), row.by_id)
                and told.items() <= act.facts.items()
                and personal_of(act).get("reason", row.reason) == row.reason
                and (dispute.known_until_id, dispute.decided_id, dispute.outcome) == (seq, seq, row.outcome)
            )
            if not whole:
                yield Problem(seq, f"the decision about {_subject(row)} is not what was signed")
            waits = False
        if waits:
            yield Problem(seq, f"the decision about {act and act.subject} is missing")


def closed_disputes() -> Iterator[Problem]:
    """A disagreement about an entry that is over was decided or taken back by an act that says so."""
    rows = Dispute.objects.exclude(known_until=None).select_related("insertion", "known_until")
    for row in rows.order_by("pk").iterator(chunk_size=1000):
        act = row.known_until
        assert act is not None
        ruled = act.kind == RULED[True] and act.facts.get("dispute") == row.known_from_id
        taken = act.kind == "dispute.taken_back" and (act.subject, act.actor_id) == (row.insertion.uuid, row.by_id)
        if not (ruled or taken) or row.decided_id != act.seq:
            yield Problem(act.seq, f"the dispute of insertion {row.insertion.uuid} ends, and its act does not end it")
    for row in Dispute.objects.filter(known_until=None).exclude(decided=None, outcome=""):
        yield Problem(row.known_from_id, "a dispute is open and decided")


def answers() -> Iterator[Problem]:
    rows = DisputeAnswer.objects.select_related("dispute__insertion", "observation_dispute__observation")
    for seq, act, made in with_acts(rows, _acts(*ANSWERED.values()), by="made_id"):
        told = [(_subject(row), row.by_id, row.text) for row in made]
        said = [(act.subject, act.actor_id, personal_of(act).get("text", told[0][2] if told else ""))] if act else []
        if told != said:
            yield Problem(seq, "what a side said is not what was written")


def reconsidered() -> Iterator[Problem]:
    """Each decision about a countersignature in question is one that its act made; none is missing."""
    rows = Reconsidered.objects.select_related("statement__insertion")
    for seq, act, made in with_acts(rows, _acts("statements.reconsidered")):
        announced = dict(act.facts["statements"]) if act else {}
        for row in made:
            told = announced.pop(str(row.uuid), None)
            said = (act.facts["outcome"], act.actor_id, personal_of(act).get("reason", row.reason)) if act else None
            if told != facts_of(row.statement) or said != (row.outcome, row.by_id, row.reason):
                yield Problem(seq, f"what was decided about a signature on {row.statement.insertion.uuid} is another")
        if announced:
            yield Problem(seq, f"{len(announced)} decisions about signatures are missing")


def _subject(row: Ruling | DisputeAnswer) -> Any:
    if row.dispute is not None:
        return row.dispute.insertion.uuid
    assert row.observation_dispute is not None
    return row.observation_dispute.observation.uuid


def _acts(*kinds: str) -> "QuerySet[Act]":
    return Act.objects.filter(kind__in=kinds).select_related("payload")
