"""Whether what was recognised from elsewhere is what somebody signed: for `verify_ledger`."""

from collections.abc import Iterator

from audits.models import Recognition
from credentials.recognising import recognition_digest
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, with_acts


def register_all() -> None:
    verify.register("recognitions", recognitions)
    verify.register("withdrawn recognitions", withdrawn)


def recognitions() -> Iterator[Problem]:
    """Each is what its act says; none that was decided is missing."""
    rows = Recognition.objects.select_related("clinician", "procedure", "award", "by")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind="recognition.decided")):
        announced = act.facts["recognition"] if act else None
        for row in made:
            said = (act.subject, act.actor_id, act.facts["facts_digest"]) if act else None
            if str(row.uuid) != announced or said != (row.clinician.uuid, row.by_id, recognition_digest(row)):
                yield Problem(seq, f"recognition {row.uuid} does not match what was signed")
            announced = None
        if announced is not None:
            yield Problem(seq, f"recognition {announced} is missing")


def withdrawn() -> Iterator[Problem]:
    """Each that no longer counts was withdrawn by an act that names it."""
    rows = Recognition.objects.exclude(known_until=None).select_related("clinician")
    acts = Act.objects.filter(kind="recognition.withdrawn")
    for seq, act, ended in with_acts(rows, acts, by="known_until_id"):
        waits = act.facts["recognition"] if act else None
        for row in ended:
            if act is None or (act.subject, waits) != (row.clinician.uuid, str(row.uuid)):
                yield Problem(seq, f"recognition {row.uuid} ends, and its act does not withdraw it")
            waits = None
        if waits is not None:
            yield Problem(seq, f"recognition {waits} was withdrawn and counts again, or is missing")
