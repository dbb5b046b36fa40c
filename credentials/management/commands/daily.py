"""The daily run: judge what can have changed, raise flags, tidy up; say how much was touched and why."""

from datetime import timedelta
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand

from credentials.review import daily
from people import clock
from sheets import staging

UPLOADS_KEPT = timedelta(days=1)


class Command(BaseCommand):
    help = "Judge what changed since the last run or is due by the calendar, and raise flags. Run it every night."

    def handle(self, *args: Any, **options: Any) -> None:
        done, raised = daily()
        why = ", ".join(f"{cause}: {number}" for cause, number in sorted(done.causes.items())) or "nothing"
        self.stdout.write(f"{done.judged} standings judged ({why}), {done.changed} changed, {raised} flags raised.")
        # Uploads that nobody confirmed, and sessions that are over.
        staging.forget(before=clock.now() - UPLOADS_KEPT)
        call_command("clearsessions")
