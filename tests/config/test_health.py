"""Alive and ready."""

import re
import shutil
from collections import namedtuple

import pytest
import time_machine
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from pytest_django import Settings

from ledger import guarding
from ledger.acts import recording


@pytest.mark.std("G-04")
def test_alive_asks_no_database(around: Client) -> None:
    answer = around.get("/healthz")
    assert (answer.status_code, answer.content) == (200, b"ok\n")


@pytest.mark.std("G-04")
def test_ready_says_what_it_found_to_the_bearer_of_the_token_alone(
    around: Client, db: None, settings: Settings
) -> None:
    settings.SITED_OPS_TOKEN = "t" * 32
    assert around.get("/readyz").content == b"ready\n"
    assert around.get("/readyz", headers={"Authorization": "Bearer " + "x" * 32}).content == b"ready\n"
    found = around.get("/readyz", headers={"Authorization": "Bearer " + "t" * 32}).json()
    assert found["ready"] is True
    assert sorted(found["probes"]) == ["clock", "database", "disk", "guards", "migrations"]
    settings.SITED_OPS_TOKEN = ""
    assert around.get("/readyz", headers={"Authorization": "Bearer "}).content == b"ready\n"


@pytest.mark.std("G-04")
@pytest.mark.parametrize("probe", ["migrations", "guards", "disk", "clock", "database"])
def test_ready_is_not_said_when_a_part_is_broken(
    around: Client, db: None, probe: str, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    if probe == "migrations":
        MigrationRecorder(connection).migration_qs.filter(app="ledger").delete()
    elif probe == "guards":
        connection.check_constraints()
        guarding.remove(guarding.guarded_models())
    elif probe == "disk":
        full = namedtuple("full", "total used free")(100, 100, 0)
        monkeypatch.setattr(shutil, "disk_usage", lambda folder: full)
    elif probe == "clock":
        settings.PRODUCTION = True
        with time_machine.travel("2036-11-25T08:00:00Z"), recording(actor=None, kind="test.noted") as rec:
            rec.content["note"] = "from a clock that ran ahead"
    with monkeypatch.context() as patch:
        if probe == "database":
            patch.setattr(connection, "cursor", gone)
        assert around.get("/readyz").status_code == 503
        settings.SITED_OPS_TOKEN = "t" * 32
        found = around.get("/readyz", headers={"Authorization": "Bearer " + "t" * 32}).json()["probes"]
        assert around.get("/readyz").content == b"not ready\n"
    assert re.search(SAID[probe], found[probe])


SAID = {
    "migrations": "migrations wait: run migrate",
    "guards": "triggers are missing",
    "disk": "0 MiB free",
    "clock": "before the last act",
    "database": "failed: OSError",
}


def gone(*_: object) -> None:
    raise OSError
