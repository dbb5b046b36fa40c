"""Whether certificates are what their acts gave out and revoked: for `verify_ledger`."""

from collections.abc import Iterator

from credentials.models import Certificate
from credentials.papers.certificates import MADE, REVOKED, certificate_facts
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, with_acts


def register_all() -> None:
    verify.register("certificates", certificates)
    verify.register("certificates revoked", revoked)


def certificates() -> Iterator[Problem]:
    rows = Certificate.objects.select_related("clinician", "procedure")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind=MADE), by="made_id"):
        waits = act is not None
        for row in made:
            told = (row.clinician.uuid, row.by_id, certificate_facts(row))
            facts = {name: act.facts.get(name) for name in told[2]} if act else {}
            if not waits or act is None or (act.subject, act.actor_id, facts) != told:
                yield Problem(seq, f"certificate {row.uuid} is not what its act gave out")
            waits = False
        if waits:
            yield Problem(seq, f"a certificate of clinician {act and act.subject} is missing")


def revoked() -> Iterator[Problem]:
    rows = Certificate.objects.filter(revoked__isnull=False).select_related("clinician")
    for seq, act, ended in with_acts(rows, Act.objects.filter(kind=REVOKED), by="revoked_id"):
        waits = act.facts["certificate"] if act else None
        for row in ended:
            if act is None or (act.subject, waits) != (row.clinician.uuid, str(row.uuid)):
                yield Problem(seq, f"certificate {row.uuid} was not revoked by its act")
            waits = None
        if waits is not None:
            yield Problem(seq, f"certificate {waits} was revoked and holds again, or is missing")
