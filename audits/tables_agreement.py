"""The lists about agreement, questions to raters, and missed steps."""

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import urlencode

from django.urls import reverse

from audits.agreeing import LEAST, Group, Line
from audits.missing import Missed, StepMissed, Tally
from audits.rater_questions import Question
from audits.wording_versions import version_words
from people.tree import Tree
from sheets.listing import Column, Listing


def agreement_list(lines: Sequence[Line], group: Group) -> Listing:
    """Each thing on which the raters of one version in one setting may agree, those least alike first.

    Where fewer than ten practices were rated there are counts only.
    """
    figures = (
        Column("share", "Agreement", value="share_words", sort=("share", "place")),
        Column("ac1", "AC1", value="ac1_words", sort=("ac1", "place")),
        Column("kappa", "Kappa", value="kappa_words", sort=("kappa", "place")),
    )
    return Listing(
        name="agreement",
        title=f"{group.practices} {'practice' if group.practices == 1 else 'practices'} rated more than once",
        rows=lines,
        columns=(
            Column(
                "what", "What was rated", value="about.text", note=_phase, note_label="Phase, and whether critical",
                sort="place",
            ),
            Column("how", "Compared", value="about.how"),
            Column("practices", "Practices", "number", sort=("practices", "place")),
            Column("alike", "Alike", "number", note=_left_out, note_label="Left out", sort=("alike", "place")),
            *(figures if group.practices >= LEAST else ()),
            Column("table", "First rater / other rater", value="table_words"),
        ),
        empty="Nothing was rated more than once here.",
        order="share" if group.practices >= LEAST else "what",
        per_page=0,
        exports=False,
    )  # fmt: skip


def question_list(questions: Sequence[Question], tree: Tree) -> Listing:
    """What an educator may ask, by the name of whom it would be asked."""
    return Listing(
        name="rater-questions",
        title="Questions about how people mark",
        rows=questions,
        columns=(
            Column("who", "Whom to ask"),
            Column("about", "About"),
            Column(
                "words",
                "What was seen",
                link=lambda row: reverse("observation", args=[row.observation]) if row.observation else "",
            ),
            Column("odds", "By chance, with careful marking"),
            Column(
                "of", "Checklist", value=lambda row: version_words(row.checklist, tree), note="setting_words",
                note_label="Where",
            ),
            Column("on", "Day", "day"),
        ),
        empty="There is nothing to ask about the last twelve months.",
        per_page=0,
        prefix="q-",
        exports=False,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Topic:
    """One line of the list of missed steps: a step, where or when, and its tally."""

    missed: StepMissed
    where: str
    tally: Tally
    heaviest: int
    at: int

    @property
    def watched(self) -> int | None:
        return self.tally.watched or None

    @property
    def not_met(self) -> int | None:
        return self.tally.not_met if self.tally.watched else None

    @property
    def prompted(self) -> int | None:
        return self.tally.prompted if self.tally.watched else None


def missed_list(found: Missed, *, by: str, tree: Tree, query: dict[str, str], notes: Sequence[str]) -> Listing:
    """The steps as topics, the heaviest first; `by` adds a line for each quarter or unit. `query` is the address."""

    def link(row: Topic) -> str:
        return f"?{urlencode({**query, 'step': row.missed.step.key})}#over-time"

    where = {"quarter": Column("where", "Quarter", sort=("at", "heaviest")), "unit": Column("where", "Unit")}
    return Listing(
        name="missed-steps",
        title="Topics to teach",
        rows=_topics(found, by, tree),
        columns=(
            Column(
                "step", "Step", value="missed.text", note="missed.phase", note_label="Phase",
                sort=("missed.place", "at"), link=link,
            ),
            *([where[by]] if by in where else []),
            Column("critical", "Critical", "yes_no", value="missed.step.critical"),
            Column("watched", "Watched", "number"),
            Column("not_met", "Not met", "number"),
            Column("prompted", "Met after a prompt", "number"),
            Column(
                "missed", "Not met without a prompt", value="tally.words", note="tally.interval_words",
                note_label="Interval, and what is left out", sort=("heaviest", "at"),
                about="Not met and met after a prompt, of those watched. In order of the interval's lower end.",
            ),
        ),
        empty="No step was watched here in these quarters, with this checklist, in this setting.",
        order="missed",
        per_page=0,
        notes=tuple(notes),
    )  # fmt: skip


def _topics(found: Missed, by: str, tree: Tree) -> list[Topic]:
    topics = []
    for heaviest, step in enumerate(found.steps, 1):
        parts = _parts(step, by, tree)
        shown = [(place, where, tally) for place, (where, tally) in enumerate(parts) if tally.watched or tally.has_left]
        topics += [Topic(step, where, tally, heaviest, place) for place, where, tally in shown]
    return topics


def _parts(step: StepMissed, by: str, tree: Tree) -> list[tuple[str, Tally]]:
    if by == "quarter":
        return [(quarter.words, tally) for quarter, tally in step.by_quarter.items()]
    if by == "unit":
        named = [(tree.name(unit), tally) for unit, tally in step.by_unit.items() if unit is not None]
        together = [("Here, and small units put together", step.by_unit[None])] if None in step.by_unit else []
        return sorted(named, key=lambda part: part[0].casefold()) + together
    return [("", step.all)]


def _phase(line: Line) -> str:
    return ", ".join(part for part in (line.about.phase, "critical" if line.about.critical else "") if part)


def _left_out(line: Line) -> str:
    return f"{line.left_out} left out: not judged by both" if line.left_out else ""
