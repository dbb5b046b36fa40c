"""Where the lines of Today come from: each source is asked with the access of whoever reads, and gives what waits.

A source costs a fixed number of queries.
"""

from collections.abc import Callable, Iterable, Iterator

from django.urls import reverse

from audits import reconsidering, ruling
from audits.disagreements import count_for
from audits.models import Insertion
from credentials import cohort_pages, new_requirements, policies, restrictions_shown, supervising_again, tallying_today
from credentials.today_lines import Line, Part
from people.access import Access
from people.clock import in_words


def disagreements(access: Access) -> Iterator[Line]:
    """What others say is wrong of what is one's own or one signed; and how many decisions wait for who educates."""
    for each in ruling.of_sides(access):
        row = ruling.about(each)
        name = "disagreement" if isinstance(row, Insertion) else "disagreement_observed"
        day = row.performed_on if isinstance(row, Insertion) else row.observed_on
        what = "an entry" if isinstance(row, Insertion) else "an observation"
        words = f"{each.by.name} says that {what} of {in_words(day)} is wrong: say how it was"
        yield Line(Part.MINE, words, reverse(name, args=[row.uuid]))
    if count := count_for(access):
        words = "1 disagreement waits for you" if count == 1 else f"{count} disagreements wait for you"
        yield Line(Part.DECIDE, words, reverse("disagreements"))


def in_question(access: Access) -> Iterator[Line]:
    """Countersignatures whose signer could not supervise, until somebody decides."""
    if count := reconsidering.count_for(access):
        words = "1 countersignature is" if count == 1 else f"{count} countersignatures are"
        yield Line(Part.DECIDE, f"{words} in question", reverse("in_question"))


Source = Callable[[Access], Iterable[Line]]
SOURCES: tuple[Source, ...] = (
    restrictions_shown.waiting,
    disagreements,
    in_question,
    cohort_pages.waiting,
    tallying_today.waiting,
    supervising_again.waiting,
    policies.waiting,
    new_requirements.waiting,
)


def lines(access: Access) -> dict[str, list[Line]]:
    """The lines of this user by part, in the order of the sources."""
    found = [line for source in SOURCES for line in source(access)]
    return {part.value: [line for line in found if line.part is part] for part in Part}
