"""Two questions that a monitor asks: is the process alive, and can it do its work? Neither tells a stranger why not."""

import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from hmac import compare_digest
from pathlib import Path

from django.conf import settings
from django.db import connection
from django.db.migrations.executor import MigrationExecutor
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.http import require_safe

from config.logs import log
from ledger.guarding import missing_guards
from ledger.models import Act

LEAST_FREE = 500 * 2**20
CLOCK_SLACK = timedelta(minutes=5)


@require_safe
def healthz(request: HttpRequest) -> HttpResponse:
    """The process answers. Reads nothing."""
    return HttpResponse("ok\n", content_type="text/plain")


@require_safe
def readyz(request: HttpRequest) -> HttpResponse:
    """200 when the register can be used, else 503; what each probe found, for the bearer of the operations token."""
    found: dict[str, str] = {}
    ready = True
    for name, probe in PROBES.items():
        try:
            found[name] = probe()
        except NotReadyError as reason:
            found[name], ready = str(reason), False
        except Exception as error:
            log.error("probe failed", exc_info=error, extra={"facts": {"probe": name}})
            found[name], ready = f"failed: {type(error).__name__}", False
    status = 200 if ready else 503
    if _may_see_details(request):
        return JsonResponse({"ready": ready, "probes": found}, status=status)
    return HttpResponse("ready\n" if ready else "not ready\n", content_type="text/plain", status=status)


class NotReadyError(Exception):
    """A probe's reason why the register can't be used now."""


def database() -> str:
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return connection.vendor


def migrations() -> str:
    executor = MigrationExecutor(connection)
    waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if waiting:
        raise NotReadyError(f"{len(waiting)} migrations wait: run migrate")
    return "all applied"


def guards() -> str:
    missing = missing_guards()
    if missing:
        raise NotReadyError(f"{len(missing)} triggers are missing: run migrate, then verify_ledger")
    return "in place"


def disk() -> str:
    folder = Path(connection.settings_dict["NAME"]).parent if connection.vendor == "sqlite" else settings.BASE_DIR
    free = shutil.disk_usage(folder).free
    if free < LEAST_FREE:
        raise NotReadyError(f"{free // 2**20} MiB free")
    return f"{free // 2**20} MiB free"


def clock() -> str:
    """The machine's clock has not fallen behind what was recorded before; in a demo register it may run ahead."""
    last = Act.objects.order_by("-seq").values_list("recorded_at", flat=True).first()
    if last is None:
        return "nothing recorded yet"
    age = datetime.now(UTC) - last
    if age < -CLOCK_SLACK and settings.PRODUCTION:
        raise NotReadyError(f"the clock stands {-age} before the last act")
    return f"last act {int(age.total_seconds())} s ago"


PROBES: dict[str, Callable[[], str]] = {
    "database": database,
    "migrations": migrations,
    "guards": guards,
    "disk": disk,
    "clock": clock,
}


def _may_see_details(request: HttpRequest) -> bool:
    token = settings.SITED_OPS_TOKEN
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    return bool(token) and compare_digest(given.encode(), token.encode())
