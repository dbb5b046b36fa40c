"""The second person's part: what others proposed or entered is listed, then approved or confirmed with one secret."""

import sys
from collections.abc import Callable, Sequence
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from credentials import founding, proposing, second_person
from credentials.models import Founding, Proposed
from credentials.standings import refresh
from people import at_terminal
from people.access import NotPermitted, access_of
from people.models import User
from people.problems import Problems
from people.signing import Confirmed

# A secret is good for two minutes.
_AT_ONCE = 25


class Command(BaseCommand):
    help = (
        "Approve the programmes, checklists and rules, then confirm the founding awards, that wait for a second "
        "person; with --list only show them. Each is a signature of its own. What you proposed or entered, and what "
        "is about you, waits for somebody else."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--as", required=True, dest="email", metavar="EMAIL", help="an educator or manager")
        parser.add_argument("--list", action="store_true", help="show what waits; sign nothing")

    def handle(self, *args: Any, email: str, **options: Any) -> None:
        user = at_terminal.account(email)
        waiting = second_person.waiting(access_of(user))
        for each in waiting:
            self.stdout.write(f"{'' if each.may else 'waits for somebody else: '}{each.words}{each.why}")
        if not waiting:
            self.stdout.write("Nothing waits at your units.")
        mine = [each for each in waiting if each.may]
        if options["list"] or not mine:
            return
        given = at_terminal.secret(user, what=f"these {len(mine)}")
        documents = [each.what for each in mine if isinstance(each.what, Proposed)]
        claims = [each.what for each in mine if isinstance(each.what, Founding)]
        done = self._sign(user, given, documents, proposing.MEANING, proposing.document_digest, _approve)
        done += self._sign(user, given, claims, founding.MEANING, founding.founding_digest, _confirm)
        refresh()
        self.stdout.write(f"{done} of {len(mine)} signed.")
        if done < len(mine):
            sys.exit(1)

    def _sign(
        self,
        user: User,
        given: str,
        things: Sequence[Any],
        meaning: str,
        digest: Callable[[Any], str],
        write: Callable[[Confirmed, Any], object],
    ) -> int:
        """Sign each in a transaction of its own; how many were."""
        done = 0
        for start in range(0, len(things), _AT_ONCE):
            part = things[start : start + _AT_ONCE]
            confirmed = at_terminal.signed(user, given, meaning=meaning, digests=[digest(each) for each in part])
            for each in part:
                try:
                    write(confirmed, each)
                except (Problems, proposing.AlreadyDecided, NotPermitted) as refusal:
                    self.stderr.write(f"Not signed: {second_person.words(each)}: {refusal}")
                else:
                    done += 1
        return done


def _approve(signer: Confirmed, document: Proposed) -> object:
    return proposing.approve(signer=signer, document=document)


def _confirm(signer: Confirmed, claim: Founding) -> object:
    return founding.decide_founding(signer=signer, claim=claim, confirmed=True)
