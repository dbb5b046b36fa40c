"""The demo register: made and filled once, then served."""

import socket
import sys
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from audits.localtime import moment
from audits.models import Insertion
from config.demo.groundplan import DOMAIN, GROUP, HOSPITALS, ZONE
from config.demo.leads import FIRST, LEADS, SECRET
from config.demo.making import NotOursError, filled_on, make
from config.demo.names import email
from config.demo.scenario import scenario
from config.demo.stories import STORIES
from config.server import serve
from ledger import acts, clock
from ledger.models import Head

HOST = "localhost"
MORNING = time(9, 0)


class Command(BaseCommand):
    help = (
        "Make a demo register with two years of invented people and their work, and serve it. Only in an empty "
        "database; one that it made before it just serves."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="make the register and end")
        parser.add_argument("--no-review", action="store_true", help="leave reviews and flags to the command review")
        parser.add_argument("--today", metavar="DATE", help="the day on which the two years end, if not today")
        parser.add_argument("--port", type=int, default=8000, metavar="PORT", help="where to serve (8000)")

    def handle(self, *args: Any, **options: Any) -> None:
        given = _as_day(options["today"]) if options["today"] else None
        if not options["no_serve"]:
            _require_free(options["port"])
        today = given or timezone.now().astimezone(ZoneInfo(ZONE)).date()
        try:
            was = filled_on()
            if was is None:
                self._make(today, review=not options["no_review"])
            else:
                self._say(f"{GROUP} was filled up to {was.isoformat()} by an earlier call.")
                if given is not None and given < was:
                    raise CommandError(f"It cannot go back to {given.isoformat()}: name another SITED_DATABASE.")
        except NotOursError as error:
            raise CommandError(str(error)) from None
        except KeyboardInterrupt:
            self._say("Interrupted: the next call starts anew.")
            sys.exit(130)
        self._tell(options["port"])
        if not options["no_serve"]:
            _move_clock(given)
            serve(HOST, options["port"])

    def _make(self, today: date, *, review: bool) -> None:
        self._say(f"Filling {GROUP}, two years up to {today.isoformat()}: about a minute.")
        began = timezone.now()
        plan = scenario(today)
        make(plan, say=self._say, review=review)
        kept = Insertion.objects.known().count()
        took = (timezone.now() - began).seconds
        self._say(f"{len(plan.members)} clinicians, {kept:,} insertions, {acts.head():,} acts in {took} s.")

    def _tell(self, port: int) -> None:
        roles = [(FIRST.email, "educator and administrator of the group")]
        roles += [(each.email, f"{each.roles[0][0]}, {_where(each.roles[0][1])}") for each in LEADS]
        roles += [(email(each.name, DOMAIN), each.role) for each in STORIES.values() if each.role]
        lines = ["", f'Sign in at http://{HOST}:{port}/ with one of these and the password "{SECRET}":']
        lines += [f"  {address:<46} {role}" for address, role in roles]
        lines += ["Worth looking up:", *(f"  {each.name:<24} {each.about}" for each in STORIES.values())]
        self._say("\n".join([*lines, "All people, places and figures are invented."]))

    def _say(self, line: str) -> None:
        self.stdout.write(line)
        self.stdout.flush()


def _where(unit: str) -> str:
    return HOSPITALS.get(unit, GROUP)


def _move_clock(given: date | None) -> None:
    """The day that was asked for is today; and no register is served from before its last act."""
    now = timezone.now()
    last = Head.objects.values_list("recorded_at", flat=True).get(pk=1) or now
    asked = now if given is None else moment(datetime.combine(given, MORNING), ZONE)
    if given is not None and now.astimezone(ZoneInfo(ZONE)).date() == given:
        asked = now
    begin = max(asked, last + timedelta(seconds=1))
    if begin != now:
        clock.run_from(begin)


def _require_free(port: int) -> None:
    if not 1 <= port <= 65535:
        raise CommandError(f"{port} is no port: give one from 1 to 65535.", returncode=2)
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError:
            raise CommandError(f"Port {port} is taken or not allowed: give another with --port.") from None


def _as_day(text: str) -> date:
    try:
        found = date.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{text!r} is no date: write it as 2026-03-01.", returncode=2) from None
    if not 2005 <= found.year <= 2100:
        raise CommandError(f"{text}: give a day in the years 2005 to 2100.", returncode=2)
    return found
