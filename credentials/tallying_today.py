"""What Today says to a holder of a logging fortnight or a shift tally."""

from collections.abc import Iterator

from django.urls import reverse

from audits.tallies import holder, offered, one_day
from credentials.today_lines import Line, Part
from people import clock
from people.access import Access


def waiting(access: Access) -> Iterator[Line]:
    """That a fortnight runs, or that today's tally is not noted yet, at one's home unit."""
    if access.clinician is None or access.home is None:
        return
    asked = offered(holder(access.clinician, now=access.tree), [access.home])
    for words in dict.fromkeys(each.fortnight_words for each in asked if each.fortnight_words):
        yield Line(Part.MINE, words, reverse("log"))
    today = clock.today(access.tree.zone(access.home))
    for each in asked:
        if each.asked.may_tally and one_day(access.clinician, each.procedure, each.unit, today).tallied is None:
            words = f"Shift tally, {each.procedure.name}: note how many insertions you made today."
            yield Line(Part.MINE, words, f"{reverse('tally')}?where={each.procedure.pk}-{each.unit}")
