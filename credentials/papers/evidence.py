"""One person's full file as data: what the register holds about them, with the acts that prove it.

`verifier` says what of it can be checked without the register. What others alone may know is left out: second ratings
of an observation for the person observed; the text of acts that concern others too, of which only the hash is given.
"""

import json
from collections.abc import Iterable
from typing import Any
from uuid import UUID

from django.db.models import Q

from audits.models import (
    Award,
    Completion,
    Dispute,
    DisputeAnswer,
    Insertion,
    Observation,
    ObservationReply,
    Procedure,
    Restriction,
    Ruling,
    Statement,
    Tally,
)
from credentials.models import Enrolment, Flag, FlagReply, Programme, Rules
from credentials.papers import decided
from credentials.proposing import KINDS
from credentials.standings import judge_many, pairs_of
from ledger import register
from ledger.acts import instant
from ledger.canonical import canonical, digest
from ledger.models import Act, Head
from people.access import Access
from people.models import Clinician

SCHEMA, VERSION = "sited-evidence-file", 1
# They list digests or numbers and name nobody, so that they may go with each person's file.
ABOUT_MANY = ("logbook.imported", "completions.imported", "statements.reconsidered")
# That somebody was asked for a second rating, or is to be, is not for the person observed to know.
BESIDE = ("observation.begun", "observation.second_asked", "observation.second_declined")
Data = dict[str, Any]


def evidence_of(access: Access, clinician: Clinician, *, made_at: str, by: str) -> Data:
    """The file as known now, without its seal. A number of queries that does not grow with the evidence."""
    own = access.is_self(clinician)
    head = Head.objects.get(pk=1)
    entries = list(Insertion.objects.filter(clinician=clinician).select_related("known_from").order_by("pk"))
    observed = list(
        Observation.objects.signed_by()
        .visible_to(access)
        .filter(clinician=clinician)
        .select_related("checklist__unit", "checklist__procedure")
        .order_by("pk")
    )
    flags = list(Flag.objects.filter(clinician=clinician).select_related("procedure").order_by("pk"))
    rows: list[Any] = [clinician, *entries, *observed, *flags]
    subjects = {each.uuid for each in rows}
    file: Data = {
        "schema": SCHEMA,
        "version": VERSION,
        "register": str(register.this().uuid),
        "made": {"at": made_at, "by": by, "known": head.seq},
        "head": {"seq": head.seq, "hash": head.hash},
        "clinician": {
            "uuid": str(clinician.uuid),
            "name": clinician.name,
            "staff_number": clinician.staff_number,
            "profession": clinician.profession,
            "registration": clinician.user.registration if clinician.user else "",
        },
        "standings": _standings(clinician),
        "entries": [_entry(each) for each in entries],
        "statements": _statements(entries),
        "observations": [_observation(each) for each in observed],
        "awards": [_award(each) for each in _of(Award, clinician)],
        "restrictions": [_restriction(each) for each in _of(Restriction, clinician)],
        "completions": [_completion(each) for each in _of(Completion, clinician)],
        "enrolments": [_enrolment(each) for each in _of(Enrolment, clinician)],
        "tallies": [_tally(each) for each in _of(Tally, clinician)],
        "disputes": _disputes(entries),
        "replies": _replies(observed),
        "flags": _flags(flags),
        "recognitions": decided.recognitions(clinician),
        "referrals": decided.referrals(flags),
        "reconsidered": decided.reconsidered(entries),
    }
    file["documents"] = _documents(file, observed)
    file["acts"] = _acts(file, subjects, own)
    return file


def sealed(file: Data) -> str:
    """The canonical text of the file with its seal: these are the bytes that are handed out."""
    return canonical({**file, "seal": seal_of(file)})


def seal_of(file: Data) -> str:
    """The digest over all of the file but the seal itself."""
    return digest(canonical(file))


def _standings(clinician: Clinician) -> list[Data]:
    pairs = pairs_of([clinician.pk])
    codes = dict(Procedure.objects.values_list("pk", "code"))
    return [
        {
            "procedure": codes[procedure],
            "on": judged.on.isoformat(),
            "known": judged.known,
            "body": json.loads(judged.body),
        }
        for (_, procedure), judged in sorted(judge_many(pairs).items())
    ]


def _entry(row: Insertion) -> Data:
    return {
        "uuid": str(row.uuid),
        "version": row.version,
        "act": row.known_from_id,
        "until_act": row.known_until_id,
        "content": row.content,
        "digest": row.digest,
    }


def _statements(entries: Iterable[Insertion]) -> list[Data]:
    rows = Statement.objects.filter(insertion__in=[each.pk for each in entries])
    return [
        {
            "uuid": str(each.insertion.uuid),
            "act": each.known_from_id,
            "until_act": each.known_until_id,
            "note": each.note,
            "told": {
                "appointment": _uuid(each.appointment),
                "award": _uuid(each.award),
                "insertion": str(each.insertion.uuid),
                "insertion_digest": each.insertion_digest,
                "kind": each.kind,
                "meaning": each.meaning,
                "scope": _uuid(each.scope),
                "version": each.insertion.version,
            },
            "signature": _signature(each),
        }
        for each in rows.select_related("insertion", "appointment", "award", "scope").order_by("pk")
    ]


def _signature(row: Statement | Observation) -> Data:
    return {
        "printed_name": row.printed_name,
        "role": row.role,
        "registration": row.registration,
        "signed_at": instant(row.signed_at) if row.signed_at else None,
    }


def _observation(row: Observation) -> Data:
    return {
        "uuid": str(row.uuid),
        "act": row.signed_id,
        "checklist": str(row.checklist.uuid),
        "content": row.content,
        "digest": row.digest,
        "signature": {**_signature(row), "meaning": row.meaning},
    }


def _award(row: Award) -> Data:
    said = {
        "anchor": row.anchor,
        "clinician": row.clinician.uuid,
        "expires_on": row.expires_on,
        "from_day": row.from_day,
        "kind": row.kind,
        "procedure": row.procedure.code,
        "programme": row.programme,
        "provisional_until": row.provisional_until,
        "scope_unit": row.scope_unit.uuid,
        "supervises_from": row.supervises_from,
        "terms": row.terms,
        "until_day": row.until_day,
        "uuid": row.uuid,
        "basis": row.basis,
    }
    numbers = {"first": row.first, "long_absence_days": row.long_absence_days, "months": row.months}
    return _versioned(row, {**_texts(said), **numbers})


def _restriction(row: Restriction) -> Data:
    said = {
        "answer": row.answer,
        "basis": row.basis,
        "clinician": row.clinician.uuid,
        "due_on": row.due_on,
        "from_day": row.from_day,
        "kind": row.kind,
        "procedure": row.procedure.code if row.procedure else None,
        "until_day": row.until_day,
        "uuid": row.uuid,
    }
    return _versioned(row, _texts(said))


def _completion(row: Completion) -> Data:
    said = {
        "about": row.about,
        "clinician": row.clinician.uuid,
        "kind": row.kind,
        "on": row.on,
        "procedure": row.procedure.code,
        "result": row.result,
        "uuid": row.uuid,
        "valid_until": row.valid_until,
        "verified_by": row.verified_by,
    }
    return _versioned(row, {**_texts(said), "passed": row.passed})


def _enrolment(row: Enrolment) -> Data:
    said = {"from_day": row.from_day, "until_day": row.until_day, "programme": row.programme.uuid}
    return _versioned(row, _texts({**said, "procedure": row.procedure.code}))


def _tally(row: Tally) -> Data:
    said = {**_texts({"on": row.on, "procedure": row.procedure.code}), "insertions": row.insertions}
    return _versioned(row, said)


def _versioned(row: Any, said: Data) -> Data:
    return {"uuid": str(row.uuid), "act": row.known_from_id, "until_act": row.known_until_id, "said": said}


def _disputes(entries: Iterable[Insertion]) -> list[Data]:
    rows = Dispute.objects.filter(insertion__in=[each.pk for each in entries]).order_by("pk")
    answers = DisputeAnswer.objects.filter(dispute__in=rows).order_by("pk").select_related("by")
    rulings = Ruling.objects.filter(dispute__in=rows).order_by("pk").select_related("by")
    return [
        {
            "insertion": str(each.insertion.uuid),
            "about": each.about,
            "reason": each.reason,
            "by": each.by.name,
            "opened_on": each.opened_on.isoformat(),
            "act": each.known_from_id,
            "outcome": each.outcome,
            "answers": [
                {"by": said.by.name, "text": said.text, "act": said.made_id}
                for said in answers
                if said.dispute_id == each.pk
            ],
            "rulings": [
                {"by": said.by.name, "outcome": said.outcome, "reason": said.reason, "act": said.known_from_id}
                for said in rulings
                if said.dispute_id == each.pk
            ],
        }
        for each in rows.select_related("insertion", "by")
    ]


def _replies(observed: Iterable[Observation]) -> list[Data]:
    rows = ObservationReply.objects.filter(observation__in=[each.pk for each in observed])
    return [
        {
            "observation": str(each.observation.uuid),
            "kind": each.kind,
            "by": each.by.name,
            "text": each.text,
            "act": each.made_id,
        }
        for each in rows.select_related("observation", "by").order_by("pk")
    ]


def _flags(flags: Iterable[Flag]) -> list[Data]:
    found = list(flags)
    replies = list(FlagReply.objects.filter(flag__in=[each.pk for each in found]).select_related("by").order_by("pk"))
    return [
        {
            "uuid": str(each.uuid),
            "act": each.raised_id,
            "closed_act": each.closed_id,
            "procedure": each.procedure.code,
            "raised_on": each.raised_on.isoformat(),
            "said": {"rule": each.rule, "evidence": each.evidence, "finding": json.loads(each.figures)},
            "outcome": each.outcome,
            "reason": each.reason,
            "replies": [
                {"by": said.by.name, "text": said.text, "act": said.made_id}
                for said in replies
                if said.flag_id == each.pk
            ],
        }
        for each in found
    ]


def _documents(file: Data, observed: Iterable[Observation]) -> list[Data]:
    """Checklists as they were, programmes of enrolments and awards, the rules by which the standings were judged."""
    programmes = {each["said"]["programme"] for each in (*file["enrolments"], *file["awards"])}
    judged_by = {each["body"]["rules"]["uuid"] for each in file["standings"] if each["body"]["rules"]}
    found: list[Any] = list({each.checklist_id: each.checklist for each in observed}.values())
    for model, uuids in ((Programme, programmes), (Rules, judged_by)):
        found += model.objects.filter(uuid__in=uuids).select_related("unit", "procedure").order_by("pk")
    return [
        {
            "uuid": str(each.uuid),
            "act": each.approved_id,
            "said": {
                "kind": KINDS[type(each)][0],
                "uuid": str(each.uuid),
                "unit": str(each.unit.uuid),
                "procedure": each.procedure.code,
                "version": each.version,
                "name": each.name,
                "content": json.loads(each.content),
                "effective_on": each.effective_on.isoformat(),
            },
        }
        for each in found
    ]


def _acts(file: Data, subjects: set[UUID], own: bool) -> list[Data]:
    """The acts about this person and their evidence, and those that their rows name; the head's own hash beside."""
    named = {number for number in _numbers(file) if number is not None}
    rows = Act.objects.filter(Q(seq__in=named) | Q(subject__in=subjects), seq__lte=file["made"]["known"])
    approved = {each["act"] for each in file["documents"]}
    found = []
    for act in rows.select_related("payload", "actor").order_by("seq"):
        about = act.subject in subjects
        whole = (about and not (own and act.kind in BESIDE)) or act.kind in ABOUT_MANY or act.seq in approved
        payload = getattr(act, "payload", None)
        found.append(
            {
                "seq": act.seq,
                "kind": act.kind,
                "at": instant(act.recorded_at),
                "by": act.actor.name if act.actor and whole else "",
                "hash": act.hash,
                "content": act.content if whole else None,
                "personal": {"salt": payload.salt, "body": payload.body} if payload and about and whole else None,
            }
        )
    return found


def _numbers(value: Any) -> Iterable[int | None]:
    if isinstance(value, dict):
        for key, item in value.items():
            if key in ("act", "until_act", "closed_act"):
                yield item
            elif key not in ("said", "told", "signature", "body"):
                yield from _numbers(item)
    elif isinstance(value, list):
        for item in value:
            yield from _numbers(item)


def _of(model: Any, clinician: Clinician) -> Any:
    fields = {field.name for field in model._meta.concrete_fields}
    related = [name for name in ("clinician", "procedure", "scope_unit", "programme") if name in fields]
    related = [name for name in related if model._meta.get_field(name).is_relation]
    return model.objects.filter(clinician=clinician).select_related(*related).order_by("pk")


def _texts(said: Data) -> Data:
    return {name: None if value is None else str(value) for name, value in said.items()}


def _uuid(row: Any) -> str | None:
    return str(row.uuid) if row is not None else None
