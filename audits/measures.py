"""From the evidence to figures: rows in path order, one fold for each clinician and procedure.

As known now the rows are those of the narrow table; as known at an act they are worked out from the versions of that
moment by the same pure function. Both give the same figures at the head.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import date
from itertools import groupby
from typing import TypeVar
from uuid import UUID

from audits.figures import Ask, Figures, fold, insertions_named, lenders, with_uuids
from audits.holding import holdings
from audits.models import Dispute, Insertion, Outcome
from audits.outcomes import Version, returned_to_safety, rows, versions
from audits.rows import Row, Safety

Pair = tuple[int, int]
Key = TypeVar("Key")
_MANY = 2000  # more clinicians than this are read as the whole table
_CHUNK = 5000


def measures(
    clinicians: Collection[int] | None, *, asks: Mapping[Pair, Ask], on: date, known: int | None = None
) -> dict[Pair, Figures]:
    """Figures for each (clinician, procedure) of `asks`; nothing logged gives empty figures.

    `clinicians` are those asked about (None: whoever `asks` names); `on` is the day of every ask; `known` the number of
    an act. The number of queries does not grow with them. Raises ValueError for an ask of another day or person.
    """
    for (clinician, procedure), ask in asks.items():
        if ask.on != on:
            raise ValueError(f"ask of ({clinician}, {procedure}) is for {ask.on}, not for {on}")
        if clinicians is not None and clinician not in clinicians:
            raise ValueError(f"clinician {clinician} has an ask and is not among the clinicians")
    wanted = {clinician for clinician, _ in asks}
    borrowing = {pair: other for pair, ask in asks.items() if (other := lenders(ask))}
    lending = {(clinician, other) for (clinician, _), others in borrowing.items() for other in others}
    found: dict[Pair, Figures] = {}
    kept: dict[Pair, list[Row]] = {}
    for pair, of_pair in groupby(_rows(wanted, on, known), key=lambda row: (row.clinician, row.procedure)):
        if pair in borrowing or pair in lending:
            kept[pair] = list(of_pair)
        elif pair in asks:
            found[pair] = fold(*pair, of_pair, asks[pair])
    for pair, ask in asks.items():
        if pair not in found:
            lent = [row for other in borrowing.get(pair, ()) for row in kept.get((pair[0], other), ())]
            found[pair] = fold(*pair, kept.get(pair, ()), ask, lent=lent)
    return named(found)


def rows_of(clinicians: Collection[int], *, on: date, known: int | None = None) -> Iterator[Row]:
    """The rows of these clinicians in path order, as they count on a day: for curves, and to look behind a figure."""
    return _rows(set(clinicians), on, known)


def _rows(clinicians: set[int], on: date, known: int | None) -> Iterator[Row]:
    return _rows_now(clinicians, on) if known is None else _rows_then(clinicians, on, known)


def _rows_now(clinicians: set[int], on: date) -> Iterator[Row]:
    stored = Outcome.objects.order_by("clinician", "procedure", "time", "tie")
    if len(clinicians) <= _MANY:
        stored = stored.filter(clinician__in=clinicians)
    limits: dict[int, date] | None = None
    for row in map(Row._make, stored.values_list(*Row._fields).iterator(chunk_size=_CHUNK)):
        if row.safety != Safety.WHO_DISPUTED:
            yield row
            continue
        if limits is None:
            limits = dict(Dispute.objects.known().values_list("insertion", "limit_on"))
        # Decided between the two reads, it has no limit any more: the row as it was read is one of two true answers.
        yield returned_to_safety(row) if limits.get(row.insertion, date.max) <= on else row


def _rows_then(clinicians: set[int], on: date, known: int) -> Iterator[Row]:
    found = [Version(*values) for values in versions(Insertion.objects.filter(clinician__in=clinicians), known)]
    signers = {each.signed_by for each in found if each.signed_by is not None}
    return iter(sorted(rows(found, facts=holdings(signers, known=known), on=on)))


def named(found: dict[Key, Figures]) -> dict[Key, Figures]:
    """Give each entry that the figures point at its UUID: one query, or one for each few thousand entries."""
    keys = sorted(frozenset().union(*map(insertions_named, found.values())))
    if not keys:
        return found
    uuids = dict(_uuids(keys))
    return {key: with_uuids(figures, uuids) for key, figures in found.items()}


def _uuids(keys: list[int]) -> Iterable[tuple[int, UUID]]:
    for start in range(0, len(keys), _CHUNK):
        yield from Insertion.objects.filter(pk__in=keys[start : start + _CHUNK]).values_list("pk", "uuid")
