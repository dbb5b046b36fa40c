"""Whether stored restrictions are what somebody signed: for `verify_ledger`."""

from collections.abc import Iterator, Mapping

from audits.awards import restriction_digest
from audits.models import Restriction
from audits.verifying import follows
from credentials import return_plans
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
# Acts that may end a return plan beside what they are about.
AWARDING = ("award.made", "recognition.decided")


def register_all() -> None:
    verify.register("restrictions", restrictions)


def restrictions() -> Iterator[Problem]:
    """Each version is what its act says, and a later one follows a version that its act closed; none is missing."""
    rows = Restriction.objects.select_related("clinician", "procedure")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind__in=(*KINDS, *AWARDING))):
        said = _said(act)
        announced = said.get("restriction")
        for row in made:
            if act is None or str(row.uuid) != announced or not _is_whole(row, act, said):
                yield Problem(seq, f"restriction {row.uuid} does not match what was signed")
            announced = None
        if announced is not None:
            yield Problem(seq, f"restriction {announced} is missing")


def _said(act: Act | None) -> Mapping[str, str]:
    """What an act says of a restriction; most awards say nothing of one."""
    if act is None:
        return {}
    return act.facts if act.kind in KINDS else act.facts.get(return_plans.ENDED, {})


def _is_whole(row: Restriction, act: Act, said: Mapping[str, str]) -> bool:
    by_award = act.kind in AWARDING and row.kind == Restriction.Kind.RETURN_PLAN
    verb = "ended" if by_award else act.kind.partition(".")[2]
    return (
        act.subject == row.clinician.uuid
        and (by_award or act.kind == f"{row.kind}.{verb}")
        and said["restriction_digest"] == restriction_digest(row)
        and (verb == "made" or follows(row, *CHANGES[verb]))
    )
