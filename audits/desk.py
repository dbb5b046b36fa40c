"""The desk of whoever signs: the entries that wait, those opened, and what was chosen for each."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import prefetch_related_objects
from django.http import QueryDict

from audits.countersigning import MOST_AT_ONCE, Waiting, queue
from audits.entry import Entry
from audits.integrity import differences
from audits.models import Nearness
from audits.versions import entry_of
from audits.wording import Fact, facts, names, summary
from people.access import Access
from people.clock import in_words
from people.signing import NotConfirmed, opened, seal

SHOWN = "shown"
ANSWER = "answer-"


@dataclass(frozen=True)
class Line:
    """One entry that waits. Opened, it shows all that it says and carries its seal; only then it may be answered.

    `is_altered`: it was asked for, and its content is not what was stored, so that it is not opened.
    """

    waiting: Waiting
    is_open: bool
    is_altered: bool
    is_new: bool
    facts: list[Fact]
    seal: str
    answer: str

    @property
    def key(self) -> str:
        return str(self.waiting.insertion.uuid)

    @property
    def title(self) -> str:
        row = self.waiting.insertion
        return f"{row.clinician.name}, {in_words(row.performed_on)}"

    @property
    def summary(self) -> str:
        return summary(self.waiting.insertion)

    @property
    def answer_words(self) -> str:
        return str(Nearness(self.answer).label)

    @property
    def why_not(self) -> str:
        """Why it can't be countersigned, '' if it can."""
        if not self.waiting.may_sign:
            return getattr(self.waiting.may_sign, "text", "")
        if self.waiting.days_left < 0:
            return "The time to countersign is over."
        return ""


@dataclass(frozen=True)
class Desk:
    lines: list[Line]
    chosen: list[Line]
    refusal: str

    @property
    def can_sign(self) -> bool:
        return any(not each.why_not for each in self.lines)


def desk(access: Access, posted: QueryDict, *, also: str = "") -> Desk:
    """The queue, with what came back from its page; `also` is the UUID of an entry to be opened now.

    The number of queries does not grow with the queue. `refusal` says why what was chosen can't be signed.
    """
    waiting = queue(access)
    refusal = ""
    try:
        digests = set(opened(access.user, posted.getlist(SHOWN)))
    except NotConfirmed as refused:
        digests, refusal = set(), str(refused)
    open_now = [each for each in waiting if each.insertion.digest in digests or str(each.insertion.uuid) == also]
    said = _facts(open_now, access)
    altered = {each.insertion.pk for each in open_now} - said.keys()
    lines = [_line(access, each, said, posted, also, each.insertion.pk in altered) for each in waiting]
    answers = {name.removeprefix(ANSWER) for name, value in posted.items() if name.startswith(ANSWER) and value}
    chosen = [each for each in lines if each.answer]
    return Desk(lines, chosen, refusal or _refusal(answers, chosen))


def _line(
    access: Access, each: Waiting, said: dict[int, list[Fact]], posted: QueryDict, also: str, altered: bool
) -> Line:
    row = each.insertion
    is_open = row.pk in said
    answer = posted.get(f"{ANSWER}{row.uuid}", "")
    return Line(
        waiting=each,
        is_open=is_open,
        is_altered=altered,
        is_new=str(row.uuid) == also,
        facts=said.get(row.pk, []),
        seal=seal(access.user, row.digest) if is_open else "",
        answer=answer if is_open and answer in Nearness.values else "",
    )


def _facts(waiting: Iterable[Waiting], access: Access) -> dict[int, list[Fact]]:
    """What the opened entries say. One whose content was altered is not opened: nobody can be shown what they sign."""
    entries: dict[int, Entry] = {}
    rows = list(waiting)
    prefetch_related_objects([each.insertion for each in rows], "unit", "supervisor")
    for each in rows:
        if not differences(each.insertion):
            entries[each.insertion.pk] = entry_of(each.insertion)
    known = names(entries.values(), access.tree)
    return {pk: facts(entry, known) for pk, entry in entries.items()}


def _refusal(answers: set[str], chosen: list[Line]) -> str:
    if answers - {each.key for each in chosen}:
        return "One of these was not opened, or waits for you no longer. Open it and read it first."
    if not chosen:
        return "Open an entry and say how near you were, then go on."
    if len(chosen) > MOST_AT_ONCE:
        return f"Sign at most {MOST_AT_ONCE} at a time: put the others off with “Not now”."
    return ""
