"""Which version of the rules or of a programme binds where and when: local, inherited down the tree as a whole."""

import json
from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from itertools import pairwise

from audits.shelf import Shelf, approved
from credentials.models import Programme, Rules
from credentials.rules.ruleset import RuleSet
from credentials.rules.terms import Terms


def rules_known(known: int | None = None) -> Shelf[Rules]:
    """Every approved set of rules, as known now or at that number. One query."""
    return Shelf(tuple(approved(Rules, known)))


def programmes_known(known: int | None = None) -> Shelf[Programme]:
    """Every approved programme version, as known now or at that number. One query."""
    return Shelf(tuple(approved(Programme, known)))


def rule_set(row: Rules) -> RuleSet:
    """The set in this version, parsed."""
    return _parsed_rules(row.content, str(row.uuid), row.version, row.name)


def terms(content: str) -> Terms:
    """The terms in a programme's content, or in an award's copy of it, parsed."""
    return _parsed_terms(content)


def drift_since(
    shelf: Shelf[Rules], procedure: int, homes: Sequence[tuple[date, Sequence[int]]], on: date
) -> date | None:
    """The first day from which, without a break until `on`, the present drift parameters judge this person.

    `homes` are (from day, units above the home from then on), ascending; the first counts for all time before it.
    None: for always.
    """
    if not homes:
        return None
    days = {day for _, above in homes for day in shelf.changes(procedure, above)} | {day for day, _ in homes[1:]}
    moments = [date.min, *sorted(day for day in days if day <= on)]
    judged = [_drift_parameters(shelf.binding(procedure, _home_on(homes, day), day)) for day in moments]
    since = moments[-1]
    for earlier, (was, now) in reversed(list(zip(moments, pairwise(judged), strict=False))):
        if was != now:
            break
        since = earlier
    return None if since == date.min else since


def _home_on(homes: Sequence[tuple[date, Sequence[int]]], day: date) -> Sequence[int]:
    return next((above for start, above in reversed(homes) if start <= day), homes[0][1])


def _drift_parameters(row: Rules | None) -> tuple[str, str, str] | None:
    found = rule_set(row).drift if row else None
    return found.parameters if found else None


@lru_cache(maxsize=512)
def _parsed_rules(content: str, uuid: str, version: int, name: str) -> RuleSet:
    return RuleSet.parse(json.loads(content), uuid=uuid, version=version, name=name)


@lru_cache(maxsize=512)
def _parsed_terms(content: str) -> Terms:
    return Terms.parse(json.loads(content))
