"""Whether stored cohorts and what became of their people are what their acts said: for `verify_ledger`."""

from collections.abc import Iterator, Mapping
from typing import Any

from credentials.cohorts import facts_of
from credentials.models import Cohort, CohortMember
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, personal_of, with_acts
from people.spans import day


def register_all() -> None:
    verify.register("cohorts", cohorts)
    verify.register("members of cohorts", members)


def cohorts() -> Iterator[Problem]:
    """Each says what its act opened; none that was opened is missing, none is closed without an act that says so."""
    rows = Cohort.objects.select_related("unit", "procedure", "programme", "closed")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind="cohort.opened"), by="opened_id"):
        waits = act is not None
        for row in made:
            if act is None or (act.subject, act.actor_id, act.facts) != (row.uuid, row.by_id, facts_of(row)):
                yield Problem(seq, f"cohort {row.uuid} is not what was opened")
            if row.closed is not None and (row.closed.subject, row.closed.facts.get("closed")) != (row.uuid, True):
                yield Problem(row.closed_id, f"cohort {row.uuid}: its act does not close it")
            waits = False
        if waits:
            yield Problem(seq, f"cohort {act and act.subject} is missing")


def members() -> Iterator[Problem]:
    """Each version of a member is what its act joined, let go or handed on; none that was joined is missing."""
    rows = CohortMember.objects.select_related("cohort", "clinician", "moved_to", "handed_to")
    joined = Act.objects.filter(kind="cohort.joined").select_related("payload")
    for seq, act, made in with_acts(rows, joined):
        expected = dict(act.facts["members"]) if act else {}
        for row in made:
            if act is not None:
                whole = expected.pop(str(row.uuid), "") == str(row.clinician.uuid) and not row.outcome
                whole = whole and row.cohort.uuid == act.subject
            else:
                whole = _said_by(Act.objects.select_related("payload").get(pk=seq), row)
            if not whole:
                yield Problem(seq, f"member {row.uuid} of a cohort: its act does not say so")
        if expected:
            yield Problem(seq, f"{len(expected)} members whom the act took in are missing")


def _said_by(act: Act, row: CohortMember) -> bool:
    """Who went, or came to another cohort, by an act that lets people go; or who was taken over."""
    if act.kind == "cohort.taken_over":
        return (act.facts["member"], act.actor_id) == (str(row.uuid), row.handed_to_id) and row.taken_on is not None
    if act.kind != "cohort.left":
        return False
    went = [each for each in act.facts["members"] if each["clinician"] == str(row.clinician.uuid)]
    if row.outcome:
        return [each for each in went if each["member"] == str(row.uuid)] == [_went(row)] and _note(act, row)
    return [each["moved_to"] for each in went] == [str(row.cohort.uuid)]


def _went(row: CohortMember) -> Mapping[str, Any]:
    return {
        "member": str(row.uuid),
        "clinician": str(row.clinician.uuid),
        "outcome": row.outcome,
        "moved_to": str(row.moved_to.uuid) if row.moved_to else None,
        "handed_to": str(row.handed_to.uuid) if row.handed_to else None,
        "on": day(row.left_on),
    }


def _note(act: Act, row: CohortMember) -> bool:
    """The note as it was signed; where personal text was destroyed there is nothing to compare with."""
    said = personal_of(act)
    return not said or said.get(str(row.uuid), "") == row.note
