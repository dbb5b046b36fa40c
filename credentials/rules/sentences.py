"""The sentence on top of every answer, its reason, and the last day on which it holds."""

from datetime import date

from credentials.rules.answers import Answer, Status
from credentials.rules.standing import AnswerAt
from credentials.rules.words import day_words, through

UNKNOWN = "Not in this register: treat as not confirmed."


def sentence(name: str, answer: AnswerAt, *, on: date, today: date) -> str:
    """Today Jonah Pell may insert with a supervisor in the room. On another day: 'On 3 May 2024', in the same tense."""
    opening = "Today" if on == today else f"On {day_words(on)}"
    if answer.answer is Answer.NO:
        return f"{opening} {name} may not insert on patients."
    if answer.status is Status.IN_GRACE and answer.answer is Answer.ALONE and answer.until:
        return f"{opening} {name} may insert alone: expired, may continue {through(answer.until)} under local policy."
    return f"{opening} {name} may insert {answer.answer.words}."


def because(answer: AnswerAt) -> str:
    """The first reason, which is what decides."""
    return answer.reasons[0].text if answer.reasons else ""


def holds_through(answer: AnswerAt) -> str:
    """'through 30 November 2025', the last day on which the calendar leaves the answer as it is; '' if not known."""
    return through(answer.until) if answer.until else ""
