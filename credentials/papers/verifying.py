"""Whether certificates are what their acts gave out and revoked: for `verify_ledger`."""

from collections.abc import Iterator

from credentials.models import Certificate
from credentials.papers.certificates import MADE, REVOKED, certificate_facts, revocation_digest
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, personal_of, with_acts


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
    """Each was revoked by an act that names it and signs what it says, with the reason that stands beside the act."""
    rows = Certificate.objects.filter(revoked__isnull=False).select_related("clinician", "procedure")
    acts = Act.objects.filter(kind=REVOKED).select_related("payload")
    for seq, act, ended in with_acts(rows, acts, by="revoked_id"):
        waits = act.facts["certificate"] if act else None
        for row in ended:
            if act is None or (act.subject, waits) != (row.clinician.uuid, str(row.uuid)):
                yield Problem(seq, f"certificate {row.uuid} was not revoked by its act")
            elif not _as_signed(row, act):
                yield Problem(seq, f"certificate {row.uuid} is not the one whose revocation was signed")
            waits = None
        if waits is not None:
            yield Problem(seq, f"certificate {waits} was revoked and holds again, or is missing")


def _as_signed(row: Certificate, act: Act) -> bool:
    """Where the reason was destroyed since, there is a signature and nothing to compare it with."""
    signature, reason = act.facts.get("signature"), personal_of(act).get("reason")
    if signature is None:
        return False
    return reason is None or signature["digest"] == revocation_digest(row, reason)
