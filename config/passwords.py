"""A password must hold enough beside the words that everybody here would think of first."""

import re
from collections.abc import Sequence

from django.core.exceptions import ValidationError

WORDS = ("sited", "cannulation", "cannula", "canula", "intravenous", "hospital", "nursing", "nurse", "doctor", "ward")


class ContextWords:
    """Refuses a password with fewer than `left` characters beside such words; `words` adds local ones."""

    def __init__(self, words: Sequence[str] = (), left: int = 8) -> None:
        every = {word.lower() for word in (*WORDS, *words)}
        self.pattern = re.compile("|".join(re.escape(word) for word in sorted(every, key=len, reverse=True)))
        self.left = left

    def validate(self, password: str, user: object = None) -> None:
        if len(self.pattern.sub("", password.lower())) < self.left:
            raise ValidationError(
                "This password is mostly words that anybody at this workplace would try. Add words of your own.",
                code="password_context_words",
            )

    def get_help_text(self) -> str:
        return "Your password can't be made only of words such as 'cannula', 'ward' or your hospital's name."
