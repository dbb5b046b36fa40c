"""Whether stored tallies are what their acts noted: for `verify_ledger`."""

from collections.abc import Iterator

from audits.models import Tally
from audits.tallies import NOTED, facts_of
from ledger import verify
from ledger.models import Act
from ledger.verify import Problem, with_acts


def register_all() -> None:
    verify.register("tallies", tallies)
    verify.register("changed tallies", changed)


def tallies() -> Iterator[Problem]:
    """Each version says what its act says of the same person; none that an act noted is missing."""
    rows = Tally.objects.select_related("clinician", "procedure", "unit")
    for seq, act, made in with_acts(rows, Act.objects.filter(kind=NOTED)):
        waits = act is not None
        for row in made:
            told = facts_of(row)
            if not waits or act is None or act.subject != row.clinician.uuid or not told.items() <= act.facts.items():
                yield Problem(seq, f"tally {row.uuid} is not what its act noted")
            waits = False
        if waits:
            yield Problem(seq, f"tally {act and act.facts.get('tally')} is missing")


def changed() -> Iterator[Problem]:
    """Each version that no longer stands was changed by an act that names it and what it said; none stands again."""
    rows = Tally.objects.exclude(known_until=None)
    changing = Act.objects.filter(kind=NOTED)
    for seq, act, ended in with_acts(rows, changing, by="known_until_id"):
        waits = act is not None and act.facts.get("old") is not None
        for row in ended:
            if act is None or (act.facts.get("tally"), act.facts.get("old")) != (str(row.uuid), row.insertions):
                yield Problem(seq, f"tally {row.uuid} ends, and its act does not change it")
            waits = False
        if waits:
            yield Problem(
                seq, f"tally {act and act.facts.get('tally')} was changed, and what it said before is missing"
            )
