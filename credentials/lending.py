"""Whose other standings change with an insertion: a programme may count insertions of one procedure towards another.

Who is touched names the procedure of the entry; the standings that borrow from it are found here when it is read.
"""

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping

from audits.models import Procedure
from credentials.models import Programme

Pair = tuple[int, int]
Waiting = tuple[int, int | None]


def borrowers() -> Mapping[int, frozenset[int]]:
    """For each procedure the others whose terms count its insertions, in any version approved so far."""
    rows = Programme.objects.filter(approved__isnull=False, content__contains='"counts_from":["')
    found: dict[str, set[int]] = defaultdict(set)
    for procedure, content in rows.values_list("procedure", "content"):
        for code in json.loads(content)["counts_from"]:
            found[code].add(procedure)
    if not found:
        return {}
    keys = Procedure.objects.filter(code__in=found).values_list("pk", "code")
    return {key: frozenset(found[code]) for key, code in keys}


def with_borrowers(waiting: Collection[Waiting]) -> frozenset[Waiting]:
    """What waits, and what counts the insertions of what waits. Two queries at most; none where nothing waits."""
    if all(procedure is None for _, procedure in waiting):
        return frozenset(waiting)
    return frozenset(_also(waiting, borrowers()))


def _also(waiting: Iterable[Waiting], of: Mapping[int, frozenset[int]]) -> Iterable[Waiting]:
    for clinician, procedure in waiting:
        yield clinician, procedure
        if procedure is not None:
            yield from ((clinician, other) for other in of.get(procedure, ()))
