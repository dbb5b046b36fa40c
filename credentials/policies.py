"""Local policies that rules, programmes and checklists rest on: noted, changed and ended by a signature.

The paper itself stays where the hospital keeps it; here stand its title, where it is kept, what rests on it, and the
day by which somebody looks at it again. A policy changes no answer.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from django.db import transaction
from django.db.models import Q, QuerySet
from django.urls import reverse

from audits.freetext import text_problems
from audits.models import Procedure
from credentials.models import LocalPolicy
from credentials.today_lines import Line, Part
from ledger.acts import Recording, recording
from people.access import Access, Right, access_of
from people.clock import in_words
from people.models import Unit
from people.problems import Problem, Problems, problem
from people.signing import Confirmed, digest_of

OPENED, CHANGED, ENDED = "policy noted", "policy changed", "policy no longer in force"
RESTS = {"rules": "Rules", "programme": "Programmes", "checklist": "Checklists"}
LONGEST_TITLE, LONGEST_PLACE, LONGEST_REASON = 120, 200, 300
LONGEST_REVIEW = 10 * 366  # days
SOON = timedelta(days=30)


@dataclass(frozen=True, kw_only=True)
class Policy:
    """What a policy is to say. `procedure` None: every one; `rests` are keys of RESTS."""

    unit: Unit
    procedure: Procedure | None
    title: str
    kept_at: str
    rests: tuple[str, ...]
    review_on: date

    @property
    def digest(self) -> str:
        """What is signed."""
        return digest_of(self.facts)

    @property
    def facts(self) -> dict[str, object]:
        """What an act says of it."""
        return {
            "unit": str(self.unit.uuid),
            "procedure": self.procedure.code if self.procedure else None,
            "title": self.title.strip(),
            "kept_at": self.kept_at.strip(),
            "rests": [each for each in RESTS if each in self.rests],
            "review_on": self.review_on.isoformat(),
        }


def check(policy: Policy, *, on: date) -> None:
    """Raises Problems for what could not be noted on that day."""
    found = text_problems("title", policy.title, longest=LONGEST_TITLE, asked="Give the title of the policy.")
    asked = "Say where it is kept: its number, version and place."
    found += text_problems("kept_at", policy.kept_at, longest=LONGEST_PLACE, asked=asked)
    if not policy.rests or set(policy.rests) - RESTS.keys():
        found.append(Problem("rests", "Choose what rests on it: at least one."))
    if policy.review_on <= on:
        found.append(Problem("review_on", f"Give a day after {in_words(on)}."))
    elif (policy.review_on - on).days > LONGEST_REVIEW:
        found.append(Problem("review_on", "Give a day within the next ten years."))
    if found:
        raise Problems(found)


def open_policy(*, signer: Confirmed, policy: Policy) -> LocalPolicy:
    """Note a policy; its digest is signed. Raises NotPermitted, NotConfirmed, Problems."""
    access = access_of(signer.user)
    access.require(Right.KEEP_RULES, policy.unit.pk)
    check(policy, on=access.on)
    with transaction.atomic():
        _lock(policy.unit)
        if _of_title(policy.unit, policy.title).exists():
            raise problem("title", "A policy of this title stands there: open it to change it.")
        with recording(actor=signer.user, kind="policy.opened") as rec:
            made = _row(policy, rec)
            made.save(force_insert=True)
            rec.subject = made.uuid
            rec.content |= policy.facts
            signer.use(policy.digest, rec, role=access.printed_for(Right.KEEP_RULES))
            return made


def change_policy(*, signer: Confirmed, row: LocalPolicy, policy: Policy) -> LocalPolicy:
    """Give a policy other words, or another day to look at it again: `change_digest` is signed.

    Its unit and procedure stay. Raises NotPermitted, NotConfirmed, Problems.
    """
    access = access_of(signer.user)
    access.require(Right.KEEP_RULES, row.unit_id)
    if (policy.unit.pk, policy.procedure and policy.procedure.pk) != (row.unit_id, row.procedure_id):
        raise ValueError(f"policy {row.uuid} stays at unit {row.unit_id}, for procedure {row.procedure_id}")
    check_change(row, policy, on=access.on)
    with transaction.atomic():
        _lock(row.unit)
        if _of_title(row.unit, policy.title).exclude(uuid=row.uuid).exists():
            raise problem("title", "Another policy of this title stands there.")
        with recording(actor=signer.user, kind="policy.changed", subject=row.uuid) as rec:
            _close(row, rec)
            made = _row(policy, rec)
            made.uuid = row.uuid
            made.save(force_insert=True)
            rec.content |= policy.facts
            signer.use(change_digest(row, policy), rec, role=access.printed_for(Right.KEEP_RULES))
            return made


def check_change(row: LocalPolicy, policy: Policy, *, on: date) -> None:
    """Raises Problems for what could not be changed like this on that day."""
    check(policy, on=on)
    if policy.facts == policy_of(row).facts:
        raise problem("", "Nothing is different: change something, or go back.")


def end_policy(*, signer: Confirmed, row: LocalPolicy, reason: str) -> LocalPolicy:
    """Say that a policy is no longer in force: `end_digest` is signed. Raises NotPermitted, NotConfirmed, Problems."""
    access = access_of(signer.user)
    access.require(Right.KEEP_RULES, row.unit_id)
    check_end(reason)
    with transaction.atomic():
        _lock(row.unit)
        with recording(actor=signer.user, kind="policy.ended", subject=row.uuid) as rec:
            _close(row, rec)
            made = _row(policy_of(row), rec)
            made.uuid, made.ended = row.uuid, True
            made.save(force_insert=True)
            rec.content |= policy_of(row).facts | {"reason": reason.strip()}
            signer.use(end_digest(row, reason), rec, role=access.printed_for(Right.KEEP_RULES))
            return made


def check_end(reason: str) -> None:
    asked = "Say why: for example, which policy took its place."
    if found := text_problems("reason", reason, longest=LONGEST_REASON, asked=asked):
        raise Problems(found)


def policy_of(row: LocalPolicy) -> Policy:
    """What a stored version says."""
    return Policy(
        unit=row.unit,
        procedure=row.procedure,
        title=row.title,
        kept_at=row.kept_at,
        rests=tuple(row.rests.split(",")),
        review_on=row.review_on,
    )


def change_digest(row: LocalPolicy, policy: Policy) -> str:
    """What is signed of a change: the words before, and those after."""
    return digest_of({"policy": str(row.uuid), "before": policy_of(row).facts, "after": policy.facts})


def end_digest(row: LocalPolicy, reason: str) -> str:
    return digest_of({"policy": str(row.uuid), "before": policy_of(row).facts, "reason": reason.strip()})


def rests_words(row: LocalPolicy) -> str:
    """What rests on it: 'Rules, checklists'."""
    return ", ".join(RESTS[each] for each in row.rests.split(",")).capitalize()


# --- reads ---


def in_force(units: Collection[int], *, known: int | None = None) -> QuerySet[LocalPolicy]:
    """The policies of these units that are in force, those to be looked at first first."""
    rows = LocalPolicy.objects.known(known).filter(unit__in=units, ended=False)
    return rows.select_related("unit", "procedure", "known_from__actor").order_by("review_on", "title", "pk")


def resting(kind: str, procedure: int, above: Collection[int]) -> list[LocalPolicy]:
    """The policies that a version of this kind rests on, at its unit (given with those above). One query."""
    of_procedure = Q(procedure=None) | Q(procedure=procedure)
    return [row for row in in_force(above).filter(of_procedure) if kind in row.rests.split(",")]


def waiting(access: Access) -> Iterator[Line]:
    """What Today says to who keeps rules: each policy whose day has come or comes within a month."""
    units = access.units_for(Right.KEEP_RULES)
    for row in in_force(units).filter(review_on__lte=access.on + SOON) if units else ():
        when = in_words(row.review_on)
        words = f"was to be looked at again by {when}" if row.review_on < access.on else f"look at it again by {when}"
        yield Line(Part.MANAGE, f"Policy ‘{row.title}’: {words}", reverse("policy", args=[row.uuid]))


def _row(policy: Policy, rec: Recording) -> LocalPolicy:
    return LocalPolicy(
        unit=policy.unit,
        procedure=policy.procedure,
        title=policy.title.strip(),
        kept_at=policy.kept_at.strip(),
        rests=",".join(each for each in RESTS if each in policy.rests),
        review_on=policy.review_on,
        known_from_id=rec.seq,
    )


def _lock(unit: Unit) -> None:
    Unit.objects.select_for_update().get(pk=unit.pk)


def _of_title(unit: Unit, title: str) -> QuerySet[LocalPolicy]:
    return LocalPolicy.objects.known().filter(unit=unit, title__iexact=title.strip(), ended=False)


def _close(row: LocalPolicy, rec: Recording) -> None:
    standing = LocalPolicy.objects.known().filter(pk=row.pk, ended=False)
    if not standing.update(known_until_id=rec.seq):
        raise problem("", "Somebody changed this policy meanwhile: look at it again.")
