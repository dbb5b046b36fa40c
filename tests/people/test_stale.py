import re
from pathlib import Path

import pytest

from people import stale
from people.models import Stale
from tests.factories import ClinicianFactory, an_act

ROOT = Path(__file__).resolve().parents[2]
KIND = re.compile(r"""recording\([^)]*?kind=(f?)["']([a-z_.]+)["']""", re.S)


def written_kinds():
    """Every kind of act that the code writes, and where."""
    for app in ("people", "audits", "credentials", "config", "sheets"):
        for path in (ROOT / app).rglob("*.py"):
            for _, kind in KIND.findall(path.read_text(encoding="utf-8")):
                yield kind, path.name


def test_every_kind_of_act_says_who_is_touched():
    kinds = dict(written_kinds())
    assert {"placement.set", "appointment.made", "setting.set", "account.invited"} <= kinds.keys()
    assert {kind: where for kind, where in kinds.items() if kind not in stale.registered()} == {}


@pytest.mark.django_db
def test_an_act_of_a_kind_that_nobody_registered_is_refused():
    with pytest.raises(ValueError, match="is touched by"):
        stale.touch([], cause="weather.changed", act=an_act())


@pytest.mark.django_db
def test_those_whom_the_registry_adds_are_touched_too(monkeypatch):
    named, added = ClinicianFactory(), ClinicianFactory()
    monkeypatch.setitem(stale._others, "placement.set", [lambda change: [added.pk]])
    touched = stale.touch([named], cause="placement.set", act=an_act(), procedure=7)
    assert touched == {named.pk, added.pk}
    assert stale.pending([named.pk, added.pk]) == {(named.pk, 7), (added.pk, 7)}
    assert stale.pending([named.pk]) == {(named.pk, 7)}


@pytest.mark.django_db
def test_what_came_in_while_the_evidence_was_read_is_not_cleared():
    one = ClinicianFactory()
    stale.touch([one], cause="placement.set", act=an_act())
    read = stale.waiting()
    stale.touch([one], cause="absence.set", act=an_act())
    stale.clear([row.pk for row in read])
    assert [row.cause for row in Stale.objects.all()] == ["absence.set"]
