"""Who could insert on a unit on a past day, as known then and as known now: one line for everybody placed there."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from audits.holding import Holdings, holdings
from audits.models import Procedure
from credentials.rules.answers import Answer
from credentials.rules.standing import AnswerAt
from credentials.standings import read_many
from people.access import Access, Right
from people.clock import in_words
from people.models import Clinician, Placement
from people.tree import Tree, tree
from sheets.listing import Column, Listing


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One person on the unit that day. A side is None where, as known at it, they were not placed there."""

    clinician: Clinician
    kind: str
    unit: str
    then: AnswerAt | None
    now: AnswerAt | None
    supervised_then: bool
    supervised_now: bool
    url: str | None

    @property
    def may_then(self) -> Answer | None:
        return self.then.answer if self.then else None

    @property
    def may_now(self) -> Answer | None:
        return self.now.answer if self.now else None

    @property
    def changed(self) -> str:
        """What reads otherwise now, '' if nothing does."""
        if self.then is None:
            return "placed here, as came in later"
        if self.now is None:
            return "not placed here after all"
        if self.then.answer is not self.now.answer:
            return f"answer: {self.then.status.words} then, {self.now.status.words} now"
        if self.then.status is not self.now.status:
            return f"status: {self.then.status.words} then, {self.now.status.words} now"
        if self.supervised_then is not self.supervised_now:
            return "could not supervise after all" if self.supervised_then else "could supervise, as came in later"
        return ""


def unit_day(access: Access, unit: int, procedure: Procedure, *, on: date, known: int) -> list[Line]:
    """Everybody placed on this unit or below on that day, as known then or now, by name.

    The number of queries does not grow with them. Raises Http404 or NotPermitted for a unit that this user may not
    follow.
    """
    access.get_unit(unit, Right.UNIT_FIGURES)
    follows = set(access.clinicians_for(Right.UNIT_FIGURES).values_list("pk", flat=True))
    lines = lines_of(unit, procedure, on=on, known=known)
    asked = urlencode({"procedure": procedure.pk, "on": in_words(on), "known": known, "unit": unit})
    return [
        Line(
            **{name: getattr(line, name) for name in Line.__slots__ if name != "url"},
            url=f"{reverse('incident', args=[line.clinician.uuid])}?{asked}" if line.clinician.pk in follows else None,
        )
        for line in lines
    ]


def lines_of(unit: int, procedure: Procedure, *, on: date, known: int) -> list[Line]:
    """The same without asking who reads."""
    then, now = _placed(unit, on, known), _placed(unit, on, None)
    pairs = [(each, procedure.pk) for each in then.keys() | now.keys()]
    read_then, read_now = read_many(pairs, on=on, known=known), read_many(pairs, on=on)
    places_then, places_now = tree(known), tree()
    users = [each.clinician.user_id for each in (then | now).values() if each.clinician.user_id is not None]
    held_then, held_now = holdings(users, known=known), holdings(users)

    def at(found: Mapping[Any, Any], places: Tree, placement: Placement | None) -> AnswerAt | None:
        if placement is None or placement.unit_id not in places:
            return None
        read: AnswerAt = found[placement.clinician_id, procedure.pk].at(places.above(placement.unit_id))
        return read

    def supervised(of: Holdings, placement: Placement | None) -> bool:
        if placement is None or placement.clinician.user_id is None:
            return False
        user = placement.clinician.user_id
        return bool(of.may_supervise(user, unit=placement.unit_id, procedure=procedure.pk, on=on))

    lines = []
    for key in then.keys() | now.keys():
        was, is_ = then.get(key), now.get(key)
        placement = is_ or was
        assert placement is not None
        lines.append(
            Line(
                clinician=placement.clinician,
                kind="" if placement.kind == Placement.Kind.EMPLOYED else placement.get_kind_display().lower(),
                unit=places_now.where(placement.unit_id),
                then=at(read_then, places_then, was),
                now=at(read_now, places_now, is_),
                supervised_then=supervised(held_then, was),
                supervised_now=supervised(held_now, is_),
                url=None,
            )
        )
    return sorted(lines, key=lambda line: (line.clinician.name.casefold(), line.clinician.pk))


def listing(lines: list[Line], *, unit: str, procedure: Procedure, on: date, known: int) -> Listing:
    """The lines as a list: all on one page, since it is printed."""
    return Listing(
        name="who-could",
        title=f"Who could insert on {in_words(on)}: {unit}, {procedure.name}",
        rows=lines,
        columns=(
            Column(
                "clinician",
                "Clinician",
                value="clinician.name",
                sort="clinician.name",
                link=lambda row: row.url,
                note="kind",
                note_label="Placement",
            ),
            Column("unit", "Unit", value=lambda row: row.unit.rpartition(" / ")[2], sort="unit"),
            Column("then", "As known then", "answer", value="may_then"),
            Column("now", "As known now", "answer", value="may_now"),
            Column("supervised_then", "Could supervise, known then", "yes_no"),
            Column("supervised_now", "Could supervise, known now", "yes_no"),
            Column("changed", "What reads otherwise now"),
        ),
        order="clinician",
        per_page=0,
        empty="Nobody was placed there on that day.",
        notes=(f"As known then is as known at number {known} of the register's history.",),
    )


def alone(lines: list[Line]) -> tuple[int, int]:
    """How many could insert alone, as known then and as known now."""
    then, now = ([line.may_then for line in lines], [line.may_now for line in lines])
    return then.count(Answer.ALONE), now.count(Answer.ALONE)


def _placed(unit: int, on: date, known: int | None) -> dict[int, Placement]:
    """Of everybody on the unit or below on that day the placement there, the home one where there are several."""
    places = tree(known)
    if unit not in places:
        return {}
    rows = (
        Placement.objects.known(known)
        .on(on)
        .filter(unit__in=places.below(unit))
        .select_related("clinician")
        .order_by("clinician_id", "-home", "pk")
    )
    found: dict[int, Placement] = {}
    for row in rows:
        found.setdefault(row.clinician_id, row)
    return found
