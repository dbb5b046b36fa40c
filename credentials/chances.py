"""What a rule would do, in plain words, before anybody is judged by it: how often it accuses a sound clinician.

Exact figures of `audits.statistics.operating`. The volumes that the sentences assume are said in them.
"""

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

from audits.rates import percent

Content = Mapping[str, Any]
MONTHLY = 4  # insertions a month that the sentences assume
YEARLY = 12 * MONTHLY


def chances_of(rule: str, content: Content) -> list[str]:
    """A sentence or two on this part of a set of rules; none for a rule that is off, or where nothing can be said."""
    say = _SAY.get(rule)
    if say is None or not content.get("on"):
        return []
    return list(_said(rule, tuple(sorted((name, _plain(value)) for name, value in content.items()))))


@lru_cache(maxsize=512)
def _said(rule: str, content: tuple[tuple[str, Any], ...]) -> tuple[str, ...]:
    return tuple(_SAY[rule](dict(content)))


def _plain(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _rate(content: Content) -> list[str]:
    from audits.statistics.operating import RateRule, ever_flag_probability  # a page without it should not wait

    target, minimum, months = float(content["target"]), int(content["minimum"]), int(content["months"])
    rule = RateRule(target, minimum, confidence=float(content["confidence"]), window=months)
    low = max(target - 0.15, 0.05)
    if MONTHLY * months < minimum:
        return [
            f"Somebody with {MONTHLY} insertions a month never has {minimum} in {months} months: nothing would be "
            "asked of them, which is not the same as all being well."
        ]
    sound, failing = (
        float(each)
        for each in ever_flag_probability(rule, [target, low], volumes=[MONTHLY] * 24, first_look=1).probability
    )
    return [
        f"Looked at each month for two years at {MONTHLY} insertions a month: of 100 clinicians who are exactly on "
        f"target, {_of_100(sound)} would be asked at least once; of 100 whose true rate is {percent(low)}%, "
        f"{_of_100(failing)}."
    ]


def _drift(content: Content) -> list[str]:
    from audits.statistics.operating import DriftRule, attempts_to_flag

    acceptable, unacceptable = float(content["acceptable"]), float(content["unacceptable"])
    run = attempts_to_flag(
        DriftRule(acceptable, unacceptable, float(content["limit"])), [1 - acceptable, 1 - unacceptable]
    )
    alarm, found = (round(float(each)) for each in run.mean)
    return [
        f"Somebody who fails {percent(acceptable)}% of the time is asked by chance once in about {alarm:,} insertions: "
        f"at {MONTHLY} a month, once in {_years(alarm)}. Somebody who fails {percent(unacceptable)}% is found after "
        f"about {found:,}."
    ]


def _runs(content: Content) -> list[str]:
    from audits.statistics.operating import RunRule, attempts_to_flag

    length = int(content["failures"])
    sound, failing = (_insertions(float(each)) for each in attempts_to_flag(RunRule(length), [0.8, 0.65]).mean)
    return [
        f"Somebody who succeeds 80% of the time fails {length} times running by chance once in {sound} insertions; "
        f"somebody who succeeds 65% of the time, once in {failing}."
    ]


def _recency(content: Content) -> list[str]:
    from audits.statistics.operating import RecencyRule, ever_flag_probability

    days = int(content["days"])
    looks = max(days, 365)
    often, seldom = ever_flag_probability(RecencyRule(days), [24.0, 12.0], volumes=[1] * looks).probability
    return [
        f"In {'a year' if looks == 365 else f'{looks} days'}, of 100 clinicians with 24 insertions a year "
        f"{_of_100(float(often))} would have such a pause by chance; of 100 with 12 a year, {_of_100(float(seldom))}."
    ]


def _volume(content: Content) -> list[str]:
    from audits.statistics.operating import VolumeRule, flag_probability

    least, days = int(content["insertions"]), int(content["days"])
    rule = VolumeRule(least, days)
    often, seldom = flag_probability(rule, [24.0, 12.0], trials=[days, days])
    return [
        f"On any one day, of 100 clinicians with 24 insertions a year on average {_of_100(float(often))} would be "
        f"below it by chance; of 100 with 12 a year, {_of_100(float(seldom))}."
    ]


def _entries(content: Content) -> list[str]:
    return ["Each such entry is asked about by itself: how many there are depends on the work more than on the person."]


def _observations(content: Content) -> list[str]:
    return ["Each such observation is asked about by itself, whatever its score."]


def _unseen(content: Content) -> list[str]:
    return ["It says that nobody came to watch, which is a question to the unit before it is one to the person."]


_SAY: Mapping[str, Callable[[Content], list[str]]] = {
    "first_attempt_rate": _rate,
    "drift": _drift,
    "repeated_failure": _runs,
    "recency": _recency,
    "volume": _volume,
    "attempts_limit": _entries,
    "serious_event": _entries,
    "critical_step": _observations,
    "observation_overdue": _unseen,
}


def _of_100(chance: float) -> str:
    """How many of a hundred: whole from 1 on, 'fewer than 1' below it."""
    of = 100 * chance
    if of < 1:
        return "fewer than 1"
    return "nearly all" if of > 99.5 else f"about {round(of)}"


def _insertions(mean: float) -> str:
    return f"about {round(mean):,}" if mean < 1e6 else "more than a million"


def _years(insertions: int) -> str:
    years = insertions / YEARLY
    return f"about {round(years)} years" if years >= 2 else f"about {round(12 * years)} months"
