"""What whoever looks at an entry may do about it now: for buttons and doors of pages. The writes ask again."""

from dataclasses import dataclass
from datetime import date

from audits.access import is_own
from audits.countersigning import POSITIVE
from audits.models import Dispute, Insertion, Proposal, Statement
from people import clock
from people.access import Access, NotPermitted, Right

About = Dispute.About


@dataclass(frozen=True, slots=True)
class Actions:
    """Each true where this user may do it as things stand."""

    correct: bool = False
    withdraw: bool = False
    dispute: tuple[str, ...] = ()
    answer: bool = False
    accept: bool = False
    decide: bool = False
    take_back: bool = False
    undispute: bool = False
    last_day: date | None = None

    @property
    def is_any(self) -> bool:
        return any((self.correct, self.dispute, self.answer, self.accept, self.decide, self.take_back, self.undispute))


def may_change(access: Access, version: Insertion) -> bool:
    """Whether it is one's own entry, or on a unit where one logs on behalf."""
    return access.is_self(version.clinician) or access.may(Right.LOG_ON_BEHALF, version.unit_id)


def may_answer(access: Access, version: Insertion) -> bool:
    return version.supervisor_id == access.user.pk and not is_own(access.user, version)


def may_accept(access: Access, version: Insertion) -> bool:
    return access.may(Right.DECIDE, version.unit_id) and not is_own(access.user, version)


def may_decide(access: Access, proposal: Proposal, version: Insertion) -> bool:
    """Whether one is asked about a proposal: the named supervisor or an educator, neither its writer nor inserter."""
    if proposal.by_id == access.user.pk or is_own(access.user, version):
        return False
    return version.supervisor_id == access.user.pk or access.may(Right.DECIDE, version.unit_id)


def may_dispute(access: Access, version: Insertion, statement: Statement | None) -> tuple[str, ...]:
    """What about this entry the user may dispute."""
    if is_own(access.user, version) or access.may(Right.DECIDE, version.unit_id):
        return tuple(each for each in About.values if each != About.STATEMENT or statement is not None)
    if statement is not None and statement.by_id == access.user.pk:
        return (str(About.STATEMENT),)
    return ()


def require(allowed: object, what: str, version: Insertion) -> None:
    """Raises NotPermitted unless allowed."""
    if not allowed:
        raise NotPermitted(f"may not {what} insertion {version.uuid}")


def actions_for(
    access: Access,
    version: Insertion,
    statement: Statement | None,
    proposal: Proposal | None,
    dispute: Dispute | None,
    last_day: date,
) -> Actions:
    """Of the latest version, with what stands on it."""
    if version.withdrawn or version.known_until_id is not None:
        return Actions()
    is_free = proposal is None and dispute is None
    is_signed = statement is not None and statement.kind in POSITIVE
    is_paper = version.source == Insertion.Source.PAPER
    on_time = clock.today(version.zone) <= last_day
    return Actions(
        # Of a disputed entry a change may be proposed: whoever decides the dispute decides it too.
        correct=proposal is None and may_change(access, version),
        withdraw=is_free and may_change(access, version),
        dispute=may_dispute(access, version, statement) if dispute is None else (),
        answer=is_free and not is_signed and may_answer(access, version),
        accept=is_free and not is_signed and not is_paper and not version.emergency and may_accept(access, version),
        decide=dispute is None and proposal is not None and may_decide(access, proposal, version),
        take_back=proposal is not None and proposal.by_id == access.user.pk,
        undispute=dispute is not None and dispute.by_id == access.user.pk,
        last_day=last_day if on_time else None,
    )
