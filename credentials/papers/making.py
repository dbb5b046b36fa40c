"""Making a paper for somebody: which one, in which form; each one made is an act before a byte of it is sent."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction

from credentials.papers import entries, evidence, full_file
from credentials.papers.paper import Paper, moment_words
from credentials.papers.printing import paper_book, paper_pdf
from ledger.acts import head, instant, recording
from people import clock, stale
from people.access import Right, access_of
from people.models import Clinician, User
from people.problems import problem

LOGBOOK, EVIDENCE = "logbook", "evidence"
TYPES: Mapping[str, str] = {
    "pdf": "application/pdf",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "json": "application/json",
}
FORMS: Mapping[str, tuple[str, ...]] = {LOGBOOK: ("pdf", "xlsx"), EVIDENCE: ("pdf", "xlsx", "json")}


@dataclass(frozen=True, kw_only=True)
class Made:
    """A file to be handed out. `digest` is what the act keeps: of the file, for JSON its seal."""

    name: str
    type: str
    file: bytes
    digest: str


def make(
    *, actor: User, clinician: Clinician, kind: str, form: str, first: date | None = None, last: date | None = None
) -> Made:
    """A logbook of the days `first` through `last` (None: all), or the evidence file. For who may see the figures.

    Raises NotPermitted, Problems for days in the wrong order, ValueError for a paper or form that there is none of.
    """
    if form not in FORMS.get(kind, ()):
        raise ValueError(f"there is no {kind!r} as {form!r}")
    access = access_of(actor)
    access.require_about(Right.FIGURES, clinician)
    if first and last and last < first:
        raise problem("last", "Give a last day that is not before the first.")
    with transaction.atomic():
        now, known = clock.now(), head()
        if kind == LOGBOOK:
            paper = entries.logbook(clinician, first=first, last=last, made=moment_words(now), by=actor.name)
        else:
            file = evidence.evidence_of(access, clinician, made_at=instant(now), by=actor.name)
            paper = full_file.paper_of(access, clinician, file, made=moment_words(now))
        if form == "json":
            data = evidence.sealed(file).encode()
            told = evidence.seal_of(file)
        else:
            data = _printed(paper, form, now)
            told = hashlib.sha256(data).hexdigest()
        with recording(actor=actor, kind="paper.made", subject=clinician.uuid) as rec:
            rec.content |= {
                "paper": kind,
                "form": form,
                "digest": told,
                "known": known,
                "first": first.isoformat() if first else None,
                "last": last.isoformat() if last else None,
                "made_at": instant(now),
            }
            stale.touch(cause=rec.kind, act=rec.seq)
    name = f"{kind}-{clinician.staff_number}-{rec.seq}.{form}"
    return Made(name=name, type=TYPES[form], file=data, digest=told)


def _printed(paper: Paper, form: str, now: datetime) -> bytes:
    return paper_pdf(paper, at=now) if form == "pdf" else paper_book(paper, at=now)
