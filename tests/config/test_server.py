"""The production server, started for real."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from tests.config.conftest import ROOT


@pytest.mark.std("G-15")
@pytest.mark.std("G-05")
def test_the_server_serves_hashed_static_files_under_a_prefix_and_stops_on_a_signal(tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {
        "PATH": os.environ["PATH"],
        "DJANGO_SETTINGS_MODULE": "config.settings",
        "SITED_ENV": "demo",
        "SITED_DATABASE": str(tmp_path / "register.sqlite3"),
        "SITED_LOG_LEVEL": "INFO",
        "SITED_PREFIX": "/sited",
    }
    script = f"import django; django.setup()\nfrom config.server import serve\nserve('127.0.0.1', {port})"
    server = subprocess.Popen(
        [sys.executable, "-c", script],
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        status, _ = fetch(f"http://127.0.0.1:{port}/nowhere")
        assert status == 404
        manifest = json.loads((ROOT / "staticfiles" / "staticfiles.json").read_text())
        hashed = manifest["paths"]["sited.css"]
        status, headers = fetch(f"http://127.0.0.1:{port}/static/{hashed}")
        assert (status, headers["Content-Encoding"]) == (200, "gzip")
        assert "immutable" in headers["Cache-Control"]
        assert "default-src 'none'" in headers["Content-Security-Policy"]
    finally:
        server.send_signal(signal.SIGTERM)
        out, err = server.communicate(timeout=120)
    assert server.returncode == 0, err
    events = [json.loads(line)["event"] for line in out.splitlines()]
    assert events.count("request") == 2
    assert any(event.startswith("Listening at") for event in events)


def fetch(url: str) -> tuple[int, Any]:
    """Ask until the server is up: the status and the headers."""
    request = urllib.request.Request(url, headers={"Accept-Encoding": "gzip"})
    until = time.monotonic() + 120
    while True:
        try:
            with urllib.request.urlopen(request) as answer:
                return answer.status, answer.headers
        except urllib.error.HTTPError as answer:
            return answer.code, answer.headers
        except urllib.error.URLError:
            assert time.monotonic() < until, "the server does not answer"
            time.sleep(0.1)
