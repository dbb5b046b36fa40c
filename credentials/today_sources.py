"""Where the lines of Today come from: each source is asked with the access of whoever reads, and gives what waits.

A source costs a fixed number of queries.
"""

from collections.abc import Callable, Iterable

from credentials import cohort_pages, restrictions_shown
from credentials.today_lines import Line, Part
from people.access import Access

Source = Callable[[Access], Iterable[Line]]
SOURCES: tuple[Source, ...] = (restrictions_shown.waiting, cohort_pages.waiting)


def lines(access: Access) -> dict[str, list[Line]]:
    """The lines of this user by part, in the order of the sources."""
    found = [line for source in SOURCES for line in source(access)]
    return {part.value: [line for line in found if line.part is part] for part in Part}
