"""The four answers to 'may this person insert?', and the statuses that a standing can have."""

from collections.abc import Iterable
from enum import Enum, StrEnum


class Answer(Enum):
    """What somebody may do, ordered: no < in_room < nearby < alone. The value is the word in code and JSON."""

    NO = "no"
    IN_ROOM = "in_room"
    NEARBY = "nearby"
    ALONE = "alone"

    @property
    def rank(self) -> int:
        return _RANKS[self]

    @property
    def words(self) -> str:
        """As screens say it after 'may insert', but for 'no', which they say alone."""
        return _WORDS[self]

    @property
    def explained(self) -> str:
        """The line that stands beside the answer on every screen."""
        return _EXPLAINED[self]

    def __lt__(self, other: "Answer") -> bool:
        return self.rank < other.rank

    def __le__(self, other: "Answer") -> bool:
        return self.rank <= other.rank

    def __gt__(self, other: "Answer") -> bool:
        return self.rank > other.rank

    def __ge__(self, other: "Answer") -> bool:
        return self.rank >= other.rank


_RANKS = {Answer.NO: 0, Answer.IN_ROOM: 1, Answer.NEARBY: 2, Answer.ALONE: 3}
_WORDS = {
    Answer.NO: "not on patients",
    Answer.IN_ROOM: "with a supervisor in the room",
    Answer.NEARBY: "with a supervisor nearby",
    Answer.ALONE: "alone",
}
_EXPLAINED = {
    Answer.NO: "May not insert on patients; practice in simulation is open.",
    Answer.IN_ROOM: "A supervisor is in the room and watches.",
    Answer.NEARBY: "A supervisor is on the unit and can be there at once.",
    Answer.ALONE: "Needs no supervisor. Local policy and licensed judgement still apply.",
}


def strictest(answers: Iterable[Answer]) -> Answer:
    """The least that any of them allows. Raises ValueError if there is none: no answer is not an answer."""
    found = list(answers)
    if not found:
        raise ValueError("strictest() of no answers")
    return min(found, key=lambda answer: answer.rank)


class Status(StrEnum):
    """Why somebody has the answer they have. The order here is the order in which the first that holds is taken."""

    NO_PLACEMENT = "no_placement"
    STOOD_DOWN = "stood_down"
    SUSPENDED = "suspended"
    WITHDRAWN = "withdrawn"
    PROVISIONAL = "provisional"
    DUE = "due"
    CURRENT = "current"
    IN_GRACE = "in_grace"
    BY_ROLE = "by_role"
    LAPSED = "lapsed"
    READY_FOR_AWARD = "ready_for_award"
    IN_TRAINING = "in_training"
    NOT_ENROLLED = "not_enrolled"

    @property
    def words(self) -> str:
        return _STATUS_WORDS[self]

    @property
    def is_held(self) -> bool:
        """Whether an award is in force."""
        return self in (Status.PROVISIONAL, Status.DUE, Status.CURRENT)


_STATUS_WORDS = {
    Status.NO_PLACEMENT: "no placement",
    Status.STOOD_DOWN: "stood down",
    Status.SUSPENDED: "suspended",
    Status.WITHDRAWN: "withdrawn",
    Status.PROVISIONAL: "provisional",
    Status.DUE: "due",
    Status.CURRENT: "current",
    Status.IN_GRACE: "in grace",
    Status.BY_ROLE: "by role",
    Status.LAPSED: "lapsed",
    Status.READY_FOR_AWARD: "ready for award",
    Status.IN_TRAINING: "in training",
    Status.NOT_ENROLLED: "not enrolled",
}
