"""Whether stored restrictions are what somebody signed: for `verify_ledger`."""

from collections.abc import Iterator

from audits.awards import restriction_digest
from audits.models import Restriction
from audits.verifying import follows
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, with_acts

CHANGES = {"ended": ("until_day", "basis"), "extended": ("due_on",)}
KINDS = tuple(
    f"{kind}.{verb}"
    for kind in Restriction.Kind.values
    for verb in ("made", *CHANGES)
    if (kind, verb) != (Restriction.Kind.WITHDRAWAL, "ended")
)


def register_all() -> None:
    verify.register("restrictions", restrictions)


def restrictions() -> Iterator[Problem]:
    """Each version is what its act says, and a later one follows a version that its act closed; none is missing."""
    rows = Restriction.objects.select_related("clinician", "procedure")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind__in=KINDS)):
        announced = act.facts["restriction"] if act else None
        for row in made:
            verb = act.kind.partition(".")[2] if act else ""
            whole = (
                act is not None
                and (act.subject, act.kind) == (row.clinician.uuid, f"{row.kind}.{verb}")
                and act.facts["restriction_digest"] == restriction_digest(row)
                and (verb == "made" or follows(row, *CHANGES[verb]))
            )
            if not whole or str(row.uuid) != announced:
                yield Problem(seq, f"restriction {row.uuid} does not match what was signed")
            announced = None
        if announced is not None:
            yield Problem(seq, f"restriction {announced} is missing")
