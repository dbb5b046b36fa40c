"""The daily run: judge what can have changed, raise flags, say how much was touched and why."""

from typing import Any

from django.core.management.base import BaseCommand

from credentials.review import daily


class Command(BaseCommand):
    help = "Judge what changed since the last run or is due by the calendar, and raise flags."

    def handle(self, *args: Any, **options: Any) -> None:
        done, raised = daily()
        why = ", ".join(f"{cause}: {number}" for cause, number in sorted(done.causes.items())) or "nothing"
        self.stdout.write(f"{done.judged} standings judged ({why}), {done.changed} changed, {raised} flags raised.")
