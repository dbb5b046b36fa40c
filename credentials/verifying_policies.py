"""Whether stored policies are what their acts said: for `verify_ledger`."""

from collections.abc import Iterator

from credentials.models import LocalPolicy
from credentials.policies import change_digest, end_digest, policy_of
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, with_acts

KINDS = ("policy.opened", "policy.changed", "policy.ended")


def register_all() -> None:
    verify.register("policies", policies)


def policies() -> Iterator[Problem]:
    """Each version says what its act signed and follows the version that this act closed; none is missing."""
    rows = LocalPolicy.objects.select_related("unit", "procedure")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind__in=KINDS)):
        waits = act is not None
        for row in made:
            if act is None or not _says(act, row):
                yield Problem(seq, f"policy {row.uuid} is not what was signed")
            waits = False
        if waits:
            yield Problem(seq, f"policy {act and act.subject} is missing")


def _says(act: Act, row: LocalPolicy) -> bool:
    said = policy_of(row)
    facts = {name: act.facts.get(name) for name in said.facts}
    if act.subject != row.uuid or facts != said.facts or row.ended != (act.kind == "policy.ended"):
        return False
    before = LocalPolicy.objects.filter(uuid=row.uuid, known_until=act.seq).select_related("unit", "procedure").first()
    if act.kind == "policy.opened":
        digest = said.digest
    elif before is None:
        return False
    elif row.ended:
        digest = end_digest(before, act.facts["reason"])
    else:
        digest = change_digest(before, said)
    return bool(act.facts["signature"]["digest"] == digest)
