"""Whether the stored evidence is what its acts brought in: for `verify_ledger`.

An act names every row that it brings in by what the row says. A row that no act brought in, one that says something
else, and one that an act brought in and is there no longer are found, whoever wrote past the application. In the order
of the ledger, a portion at a time.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from datetime import date
from typing import Any

from django.db.models import QuerySet

from audits.awards import award_digest
from audits.completions import WITHDRAWN, completion_digest
from audits.corrections import digest_of_proposal
from audits.integrity import differences
from audits.models import Award, Completion, Dispute, Insertion, Proposal, ScopeByRole, Statement
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, with_acts
from people.models import Spanned

LOGGING = ("insertion.recorded", "insertion.corrected", "correction.decided", "dispute.ruled", "logbook.imported")
SIGNING = ("statement.signed", "correction.decided")
PROPOSING = ("correction.proposed", "logbook.imported")
NOTING = ("completion.recorded", "completions.imported", "return_step.signed")
AWARDING = ("award.extended", "award.made", "award.renewed", "founding.decided", "recognition.decided")


def register_all() -> None:
    verify.register("insertions", insertions)
    verify.register("statements", statements)
    verify.register("proposals", proposals)
    verify.register("disputes", disputes)
    verify.register("completions", completions)
    verify.register("withdrawn completions", withdrawn_completions)
    verify.register("awards", awards)
    verify.register("scopes", scopes)


def insertions() -> Iterator[Problem]:
    """Each version is whole, and its digest is one that its act announced; none that was announced is missing."""
    rows = Insertion.objects.select_related("clinician", "procedure", "unit", "supervisor").prefetch_related("attempts")
    for seq, act, versions in with_acts(rows, _acts(LOGGING)):
        announced = Counter(_announced(act.facts) if act else ())
        for each in versions:
            if wrong := differences(each):
                yield Problem(seq, f"insertion {each.uuid}, version {each.version}: {', '.join(wrong)} not as stored")
            if announced[each.digest]:
                announced[each.digest] -= 1
            else:
                yield Problem(seq, f"insertion {each.uuid}, version {each.version}: its act does not bring it in")
        if missing := announced.total():
            yield Problem(seq, f"{missing} insertions that the act brought in are missing")


def _announced(facts: Mapping[str, Any]) -> Iterator[str]:
    """The digests of the versions that an act brings in."""
    if isinstance(facts.get("digest"), str):
        yield facts["digest"]
    yield from facts.get("rows", ())
    yield from (each["digest"] for each in facts.get("versions", ()))


def statements() -> Iterator[Problem]:
    """Each says what its act says, is signed as its act is, and stands on the version that was signed."""
    rows = Statement.objects.select_related("insertion", "appointment", "award", "scope").defer("insertion__content")
    for seq, act, made in with_acts(rows, _acts(SIGNING)):
        facts = act.facts if act else {}
        announced = facts.get("statement")
        signature = facts.get("signature", {})
        for each in made:
            told = {
                "appointment": _uuid(each.appointment),
                "award": _uuid(each.award),
                "insertion": str(each.insertion.uuid),
                "insertion_digest": each.insertion_digest,
                "kind": each.kind,
                "meaning": each.meaning,
                "scope": _uuid(each.scope),
                "version": each.insertion.version,
            }
            by = (each.printed_name, each.role, each.registration, each.by_id)
            signed = (*(signature.get(name) for name in ("printed_name", "role", "registration")), act and act.actor_id)
            if told != announced or by != signed or each.insertion_digest != each.insertion.digest:
                yield Problem(seq, f"the statement on insertion {each.insertion.uuid} does not match what was signed")
            announced = None
        if announced is not None:
            yield Problem(seq, f"the statement on insertion {announced.get('insertion')} is missing")


def proposals() -> Iterator[Problem]:
    rows = Proposal.objects.select_related("insertion", "decided").defer("insertion__content")
    for seq, act, made in with_acts(rows, _acts(PROPOSING)):
        announced = Counter(each["digest"] for each in act.facts.get("proposals", ())) if act else Counter()
        for each in made:
            told = digest_of_proposal(each)
            if announced[told]:
                announced[told] -= 1
            else:
                yield Problem(seq, f"a proposal about insertion {each.insertion.uuid} is not what its act brought in")
            if each.agreed is not None and not _was_decided(each, told):
                yield Problem(each.decided_id, f"the decision about insertion {each.insertion.uuid} is another one")
        if missing := announced.total():
            yield Problem(seq, f"{missing} proposals that the act brought in are missing")


def _was_decided(proposal: Proposal, told: str) -> bool:
    facts = proposal.decided.facts if proposal.decided else {}
    return (facts.get("proposal"), facts.get("agreed")) == (told, proposal.agreed)


def disputes() -> Iterator[Problem]:
    rows = Dispute.objects.select_related("insertion").defer("insertion__content")
    for seq, act, made in with_acts(rows, _acts(("dispute.opened",))):
        told = [{"about": x.about, "digest": x.insertion.digest, "limit_on": x.limit_on.isoformat()} for x in made]
        if told != ([act.facts] if act else []):
            yield Problem(seq, "the dispute is not what its act brought in")


def completions() -> Iterator[Problem]:
    """Each is what was noted; those of a staff list are vouched for by the digest of its row."""
    rows = Completion.objects.select_related("procedure", "clinician")
    for seq, act, made in with_acts(rows, _acts(NOTING)):
        announced = Counter(_announced(act.facts) if act else ())
        for each in made:
            told = completion_digest(each)
            if act is None:
                whole = _acts(("staff.imported",)).filter(pk=seq).exists()
            else:
                whole = announced[told] > 0 and act.subject in (each.clinician.uuid, None)
                announced[told] -= 1
            if not whole:
                yield Problem(seq, f"completion {each.uuid} is not what its act brought in")
        if missing := (+announced).total():
            yield Problem(seq, f"{missing} completions that the act brought in are missing")


def withdrawn_completions() -> Iterator[Problem]:
    """Each that no longer counts was withdrawn by an act that names it, and none that was withdrawn counts again."""
    rows = Completion.objects.exclude(known_until=None).select_related("clinician")
    for seq, act, ended in with_acts(rows, _acts((WITHDRAWN,)), by="known_until_id"):
        waits = act.facts.get("completion") if act else None
        for each in ended:
            if act is None or (act.subject, waits) != (each.clinician.uuid, str(each.uuid)):
                yield Problem(seq, f"completion {each.uuid} ends, and its act does not withdraw it")
            waits = None
        if waits is not None:
            yield Problem(seq, f"completion {waits} was withdrawn and counts again, or is missing")


def awards() -> Iterator[Problem]:
    """A first version says what its act says; a later one follows a version that its act closed, changing its end."""
    rows = Award.objects.select_related("clinician", "procedure", "scope_unit")
    for seq, act, made in with_acts(rows, _acts(AWARDING)):
        announced = _awards_in(act.facts) if act else {}
        for each in made:
            told = announced.pop(str(each.uuid), None)
            if told is not None:
                if told != award_digest(each):
                    yield Problem(seq, f"award {each.uuid} does not match what was signed")
            elif not follows(each, "until_day"):
                yield Problem(seq, f"award {each.uuid}: its act does not bring it in")
        for missing in announced:
            yield Problem(seq, f"award {missing} is missing")


def _awards_in(facts: Mapping[str, Any]) -> dict[str, str]:
    """The awards that an act brings in, each with its digest."""
    one = {facts["award"]: facts["award_digest"]} if "award" in facts and "award_digest" in facts else {}
    return {**one, **facts.get("award_digests", {})}


def scopes() -> Iterator[Problem]:
    rows = ScopeByRole.objects.select_related("clinician", "procedure", "unit")
    for seq, act, made in with_acts(rows, _acts(("scope.decided", "scope.ended"))):
        facts = act.facts if act else {}
        announced = facts.get("scope")
        for each in made:
            until = _day(each.until_day) == facts.get("until")
            if act is not None and act.kind == "scope.ended":
                whole = until and follows(each, "until_day")
            else:
                told = {
                    "procedure": each.procedure.code,
                    "unit": str(each.unit.uuid),
                    "profession": each.profession,
                    "from": each.from_day.isoformat(),
                }
                subject = each.clinician.uuid if each.clinician else each.unit.uuid
                whole = until and told.items() <= facts.items() and act is not None and act.subject == subject
            if not whole or str(each.uuid) != announced:
                yield Problem(seq, f"scope by role {each.uuid} does not match what was signed")
            announced = None
        if announced is not None:
            yield Problem(seq, f"scope by role {announced} is missing")


def follows(row: Spanned, *changing: str) -> bool:
    """Whether the act that brought this version in closed one of the same fact that differs in these columns alone."""
    apart = {"id", "known_from", "known_until", *changing}
    same = [field.attname for field in row._meta.concrete_fields if field.name not in apart]
    closed = type(row)._default_manager.filter(known_until=row.known_from_id, uuid=row.uuid)
    return any(all(getattr(old, name) == getattr(row, name) for name in same) for old in closed)


def _acts(kinds: Iterable[str]) -> "QuerySet[Act]":
    return Act.objects.filter(kind__in=kinds)


def _uuid(row: Any) -> str | None:
    return str(row.uuid) if row is not None else None


def _day(day: date | None) -> str | None:
    return day.isoformat() if day is not None else None
