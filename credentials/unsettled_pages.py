"""What is not settled, as the page of a decision lists it: what each means, and where it is mended."""

from collections.abc import Iterator
from dataclasses import dataclass

from django.urls import reverse

from audits.limits import limits
from audits.models import Insertion, Observation
from audits.states import state_of
from audits.wording import summary
from credentials.rules.words import counted
from credentials.unsettled import Unsettled
from credentials.wording import RULE_WORDS
from people import clock
from people.access import Access
from people.clock import in_words

WORKING = "working"
SHOWN = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One thing that hangs: what to follow, where it leads ('': not this reader's to open), and what else is known."""

    words: str
    more: str = ""
    url: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Things that hang for one reason. `why` says what it means for the decision and who mends it."""

    key: str
    title: str
    why: str
    lines: tuple[Line, ...]
    url: str = ""
    url_words: str = ""

    @property
    def first(self) -> tuple[Line, ...]:
        return self.lines[:SHOWN]

    @property
    def rest(self) -> tuple[Line, ...]:
        return self.lines[SHOWN:]


def parts(access: Access, hangs: Unsettled) -> list[Part]:
    """The parts that are not empty, the failures first. One query more than `limits`."""
    return [*_signatures(access, hangs), *_questioned(access, hangs), *_observations(access, hangs), *_flags(hangs)]


def _signatures(access: Access, hangs: Unsettled) -> Iterator[Part]:
    failed = {row.pk for row in hangs.failures}
    limit = limits({row.clinician_id for row in hangs.unsigned}, now=access.tree) if hangs.unsigned else None

    def line(row: Insertion) -> Line:
        state = state_of(row).words
        late = limit is not None and clock.today(row.zone) > limit.last_day_to_sign(row)
        return _entry(access, row, f"{state}, past the time to countersign" if late else state)

    if hangs.failures:
        yield Part(
            key="failures",
            title=f"{counted(len(hangs.failures), 'failure')} not countersigned",
            why="The first puncture did not work, or somebody took over, and nobody signed. The terms count what is"
            " signed only, so the record looks better than it is until these are signed. Rates count them all the"
            " same. Have them signed before you decide, or accept them on other evidence.",
            lines=tuple(line(row) for row in hangs.failures),
        )
    others = [row for row in hangs.unsigned if row.pk not in failed]
    if others:
        said = "insertion" if not failed else "other insertion"
        yield Part(
            key="unsigned",
            title=f"{counted(len(others), said)} without a signature",
            why="Not counted towards the terms. Whoever supervised countersigns; past that time you accept it on other"
            " evidence, from its page.",
            lines=tuple(line(row) for row in others),
        )


def _questioned(access: Access, hangs: Unsettled) -> Iterator[Part]:
    if hangs.proposed:
        yield Part(
            key="proposed",
            title=f"{counted(len(hangs.proposed), 'change')} proposed and not agreed",
            why="Counted as it stood before. The named supervisor or an educator agrees or refuses on its page.",
            lines=tuple(
                _entry(access, each.insertion, f"{each.get_kind_display()}, by {each.by.name}")
                for each in hangs.proposed
            ),
        )
    seen = _seen(access, [each.observation for each in hangs.observed_disputed])
    disputed = [
        *(
            _entry(access, each.insertion, f"{each.get_about_display()}, says {each.by.name}", page="disagreement")
            for each in hangs.disputed
        ),
        *(
            _observed(each.observation, f"Says {each.by.name}", seen, page="disagreement_observed")
            for each in hangs.observed_disputed
        ),
    ]
    if disputed:
        yield Part(
            key="disputed",
            title=f"{counted(len(disputed), 'disagreement')} open",
            why="Not counted towards the terms until an educator who is neither side decides.",
            lines=tuple(disputed),
        )
    if hangs.in_question:
        yield Part(
            key="in-question",
            title=f"{counted(len(hangs.in_question), 'countersignature')} in question",
            why="Found since: whoever signed could not supervise there that day. Counted until an educator decides.",
            lines=tuple(
                _entry(access, each, f"Signed by {each.supervisor.name}" if each.supervisor else "")
                for each in hangs.in_question
            ),
            url=reverse("in_question"),
            url_words="Decide about countersignatures in question",
        )


def _observations(access: Access, hangs: Unsettled) -> Iterator[Part]:
    if hangs.overdue:
        yield Part(
            key="overdue",
            title="An observation is overdue",
            why=f"{hangs.overdue} An assessor observes.",
            lines=(),
            url=reverse("observations"),
            url_words="Observations",
        )
    own = {each.pk for each in hangs.begun if each.assessor_id == access.user.pk}
    if hangs.begun:
        yield Part(
            key="begun",
            title=f"{counted(len(hangs.begun), 'observation')} begun and not signed",
            why="Not counted. Until it is signed only its assessor sees it.",
            lines=tuple(_observed(each, f"Begun by {each.assessor.name}", own, page="observe") for each in hangs.begun),
        )


def _flags(hangs: Unsettled) -> Iterator[Part]:
    if hangs.flags:
        yield Part(
            key="questions",
            title=f"{counted(len(hangs.flags), 'open question')}",
            why="A question does not block the decision; it is closed on its review.",
            lines=tuple(
                Line(
                    words=RULE_WORDS[each.rule],
                    more=f"Raised on {in_words(each.raised_on)}",
                    url=reverse("review", args=[each.uuid]),
                )
                for each in hangs.flags
            ),
        )


def _entry(access: Access, row: Insertion, more: str, *, page: str = "entry") -> Line:
    where = access.tree.path(row.unit_id) if row.unit_id in access.tree else ""
    said = [_result(row), where, more]
    return Line(
        words=in_words(row.performed_on),
        more=". ".join(each for each in said if each),
        url=reverse(page, args=[row.uuid]),
    )


def _result(row: Insertion) -> str:
    attempts = list(row.attempts.all())
    none = attempts and not any(each.result == WORKING for each in attempts) and not row.taken_over
    return f"{summary(row)}; no working cannula" if none else summary(row)


def _observed(row: Observation, more: str, seen: set[int], *, page: str) -> Line:
    url = reverse(page, args=[row.uuid]) if row.pk in seen else ""
    return Line(words=f"Observation of {in_words(row.observed_on)}", more=more, url=url)


def _seen(access: Access, rows: list[Observation]) -> set[int]:
    """Those that this reader may hangs."""
    found = Observation.objects.visible_to(access).filter(pk__in=[row.pk for row in rows])
    return set(found.values_list("pk", flat=True)) if rows else set()
