"""Whether observations, and what was asked and said about them, are what their acts brought in: for `verify_ledger`.

As `audits.verifying`: a row that no act brought in, one that says something else, and one that an act brought in and
is there no longer are found, whoever wrote past the application.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any

from django.db.models import QuerySet

from audits.integrity import observation_differences
from audits.models import Observation, ObservationDispute, ObservationReply, Ruling, SecondAsked
from audits.observation_content import begun_facts, signed_facts
from ledger import verify
from ledger.acts import instant
from ledger.models import Act
from ledger.verify import Problem, with_acts

BEGUN, SIGNED, DROPPED = "observation.begun", "observation.signed", "observation.dropped"
ASKED, DECLINED = "observation.second_asked", "observation.second_declined"
DISPUTED, TAKEN_BACK = "observation.disputed", "observation.dispute_taken_back"
REPLIED = {
    "observation.acknowledged": ObservationReply.Kind.ACKNOWLEDGED,
    "observation.replied": ObservationReply.Kind.REPLY,
}


def register_all() -> None:
    verify.register("observations begun", begun)
    verify.register("observations signed", signed)
    verify.register("observations given up", dropped)
    verify.register("second ratings asked for", asked)
    verify.register("replies to observations", replies)
    verify.register("disputes of observations", disputes)


def begun() -> Iterator[Problem]:
    """Each is for what, of whom, by whom and with which checklist its act says: nothing of that ever changes."""
    for seq, act, row in _beside(_observations(), (BEGUN,), by="known_from_id"):
        if row is None:
            yield Problem(seq, f"observation {act and act.subject} is missing")
        elif act is None or _told(act) != (row.uuid, row.assessor_id, begun_facts(row)):
            yield Problem(seq, f"observation {row.uuid} is not what was begun")


def signed() -> Iterator[Problem]:
    """Each signed one is whole, and signed as its act is; none that was signed is unsigned again."""
    rows = _observations().filter(signed__isnull=False).select_related("appointment", "award", "scope")
    for seq, act, row in _beside(rows, (SIGNED,), by="signed_id"):
        if row is None:
            yield Problem(seq, f"the signature of observation {act and act.subject} is missing")
            continue
        if wrong := observation_differences(row):
            yield Problem(seq, f"observation {row.uuid}: {', '.join(wrong)} not as signed")
        facts = act.facts if act else {}
        signature = facts.get("signature", {})
        names = ("printed_name", "role", "registration", "meaning", "signed_at", "digest")
        shown = (row.printed_name, row.role, row.registration, row.meaning, instant(row.signed_at), row.digest)
        told = {name: value for name, value in facts.items() if name != "signature"}
        if (
            act is None
            or (act.subject, act.actor_id, told) != (row.uuid, row.assessor_id, signed_facts(row))
            or tuple(signature.get(name) for name in names) != shown
        ):
            yield Problem(seq, f"observation {row.uuid} does not match what was signed")


def dropped() -> Iterator[Problem]:
    rows = _observations().filter(known_until__isnull=False)
    for seq, act, row in _beside(rows, (DROPPED,), by="known_until_id"):
        if row is None:
            yield Problem(seq, f"observation {act and act.subject} was given up and is there again, or is missing")
        elif act is None or _told(act)[:2] != (row.uuid, row.assessor_id):
            yield Problem(seq, f"observation {row.uuid} was not given up like this")


def asked() -> Iterator[Problem]:
    """Each was asked by its act, and ended because it was made or declined, or the observation was given up."""
    rows = SecondAsked.objects.select_related("observation", "whom", "known_until")
    for seq, act, row in _beside(rows, (ASKED,), by="known_from_id"):
        if row is None:
            yield Problem(seq, f"a second rating asked for of observation {act and act.subject} is missing")
        elif act is None or _told(act) != (row.observation.uuid, row.by_id, {"whom": str(row.whom.uuid)}):
            yield Problem(seq, f"a second rating of observation {row.observation.uuid} is not what was asked for")
    ended = rows.filter(known_until__isnull=False)
    made: dict[int | None, int | None] = dict(
        Observation.objects.filter(second_of__isnull=False).values_list("signed", "second_of")
    )
    for row in ended.order_by("pk").iterator(chunk_size=1000):
        if not _ended(row, row.known_until, made):
            text = f"a second rating asked for of observation {row.observation.uuid} did not end like this"
            yield Problem(row.known_until_id, text)
    for row in rows.filter(known_until=None, declined__isnull=False):
        yield Problem(None, f"a second rating of observation {row.observation.uuid} is asked for and declined")
    declined = ended.filter(declined__isnull=False)
    for seq, act, row in _beside(declined, (DECLINED,), by="known_until_id"):
        if row is None:
            yield Problem(seq, f"a second rating declined of observation {act and act.subject} is missing")


def _ended(row: SecondAsked, act: Act | None, made: Mapping[int | None, int | None]) -> bool:
    if act is None:
        return False
    if act.kind == DECLINED:
        return row.declined is True and (act.subject, act.actor_id) == (row.observation.uuid, row.whom_id)
    if row.declined is not None:
        return False
    if act.kind == SIGNED:
        return (made.get(act.seq), act.actor_id) == (row.observation_id, row.whom_id)
    return act.kind == DROPPED and act.subject == row.observation.uuid


def replies() -> Iterator[Problem]:
    rows = ObservationReply.objects.select_related("observation")
    for seq, act, row in _beside(rows, tuple(REPLIED), by="made_id"):
        if row is None:
            yield Problem(seq, f"a reply to observation {act and act.subject} is missing")
            continue
        told = {"digest": row.observation.digest, "kind": row.kind}
        if (
            act is None
            or _told(act) != (row.observation.uuid, row.by_id, told)
            or REPLIED[act.kind] != row.kind
            or row.said_at != act.recorded_at
            or not _in_words(act, "text", row.text)
        ):
            yield Problem(seq, f"a reply to observation {row.observation.uuid} is not what was said")


def disputes() -> Iterator[Problem]:
    rows = ObservationDispute.objects.select_related("observation")
    for seq, act, row in _beside(rows, (DISPUTED,), by="known_from_id"):
        if row is None:
            yield Problem(seq, f"the dispute of observation {act and act.subject} is missing")
            continue
        told = {"digest": row.observation.digest, "opened_on": row.opened_on.isoformat()}
        if (
            act is None
            or _told(act) != (row.observation.uuid, row.by_id, told)
            or not _in_words(act, "reason", row.reason)
        ):
            yield Problem(seq, f"the dispute of observation {row.observation.uuid} is not what its act brought in")
    for row in rows.filter(known_until=None).exclude(decided=None, outcome=""):
        yield Problem(row.decided_id, f"the dispute of observation {row.observation.uuid} is open and decided")
    taken_back = rows.filter(known_until__isnull=False).exclude(outcome__in=Ruling.Outcome.values)
    for seq, act, row in _beside(taken_back, (TAKEN_BACK,), by="known_until_id"):
        if row is None:
            yield Problem(
                seq, f"the dispute of observation {act and act.subject} was taken back and is open, or missing"
            )
            continue
        by = (row.observation.uuid, row.by_id)
        if act is None or _told(act)[:2] != by or (row.decided_id, row.outcome) != (seq, "taken_back"):
            yield Problem(seq, f"the dispute of observation {row.observation.uuid} was not taken back like this")


def _beside(rows: "QuerySet[Any]", kinds: tuple[str, ...], *, by: str) -> Iterator[tuple[int, Act | None, Any]]:
    """Each row beside its act, where an act brings in one row: without an act if it has none, and the other way."""
    for seq, act, found in with_acts(rows, Act.objects.filter(kind__in=kinds).select_related("payload"), by=by):
        empty = True
        for row in found:
            # A second row of one act is none that it brought in.
            yield seq, act if empty else None, row
            empty = False
        if empty:
            yield seq, act, None


def _observations() -> "QuerySet[Observation]":
    related = ("assessor", "checklist", "clinician", "procedure", "unit", "second_of")
    found: QuerySet[Observation] = Observation.objects.select_related(*related)
    return found


def _told(act: Act) -> tuple[Any, int | None, dict[str, Any]]:
    return act.subject, act.actor_id, act.facts


def _in_words(act: Act, name: str, text: str) -> bool:
    """Whether these are the words beside the act; where they were destroyed, nothing speaks against them."""
    payload = getattr(act, "payload", None)
    if payload is None:
        return True
    return bool(json.loads(payload.body).get(name, "") == text)
