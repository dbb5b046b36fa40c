"""The production server, and its settings.

In production, after `migrate` and `collectstatic --no-input`:

    gunicorn --config python:config.server --bind 127.0.0.1:8000 --workers 2 config.wsgi

On SQLite keep one worker: its threads share the machine's disk anyway.
"""

import os
from typing import Any

bind = "127.0.0.1:8000"
workers = 1
worker_class = "gthread"
threads = 8
# A big import is stored in its request; a stop waits for what is in hand.
timeout = graceful_timeout = 120
# config.security decides which proxy is believed, for address, scheme and request id alike.
forwarded_allow_ips = ""
# One line for each request comes from config.logs.
accesslog = None
logger_class = "config.gunicorn_log.Log"
control_socket_disable = True


def serve(host: str, port: int) -> None:
    """Collect the static files, then serve this register until a signal ends the process.

    Raises OSError where the server can't run: it needs Unix.
    """
    if os.name == "nt":
        raise OSError("The server needs Linux or macOS; on Windows use the Windows Subsystem for Linux.")
    from django.conf import settings
    from django.core.management import call_command
    from django.db import connections
    from gunicorn.app.base import BaseApplication

    call_command("collectstatic", interactive=False, verbosity=0)
    # The workers are forks of this process, and a connection may not be shared.
    connections.close_all()

    class Server(BaseApplication):
        def load_config(self) -> None:
            for name, value in globals().items():
                if name in self.cfg.settings:
                    self.cfg.set(name, value)
            self.cfg.set("loglevel", settings.SITED_LOG_LEVEL.lower())
            self.cfg.set("bind", f"[{host}]:{port}" if ":" in host else f"{host}:{port}")

        def load(self) -> Any:
            from config.wsgi import application

            return application

    Server().run()
