"""How insertions go: attempts with site, gauge and reason. The result of the first is the caller's to say."""

import numpy as np

from audits.entry import AttemptMade

# What happens to a steady clinician beside the true rate: chances for one insertion, independent of each other.
THIRD_PUNCTURE = 0.0015
SERIOUS_EVENT = 0.0004

_SITES = {
    "ADULT": (("forearm", "hand", "elbow", "wrist", "upper_arm"), (0.5, 0.27, 0.15, 0.05, 0.03)),
    "CHILD": (("hand", "forearm", "elbow", "foot"), (0.5, 0.25, 0.15, 0.1)),
    "NEONATE": (("hand", "foot", "forearm", "scalp"), (0.5, 0.3, 0.12, 0.08)),
}
_GAUGES = {
    "ADULT": ((20, 22, 18, 16), (0.52, 0.3, 0.16, 0.02)),
    "CHILD": ((22, 24, 20), (0.55, 0.4, 0.05)),
    "NEONATE": ((24, 26), (0.9, 0.1)),
}
_REASONS = (("no_entry", "through", "no_advance", "no_flow", "moved"), (0.38, 0.27, 0.17, 0.12, 0.06))
_EVENTS = ("arterial_puncture", "nerve_symptoms", "needlestick", "collapse")


def made(
    rng: np.random.Generator, procedure: str, *, works: bool, punctures: int | None = None
) -> tuple[AttemptMade, ...]:
    """The punctures of one insertion. After a failed first, two of three have a second, unless a number is given."""
    count = 1 if works else punctures or (2 if rng.random() < 0.66 else 1)
    found = [_one(rng, procedure, works=False) for _ in range(count - 1)]
    last = works or (count > 1 and bool(rng.random() < 0.72))
    return (*found, _one(rng, procedure, works=last))


def at_rate(rng: np.random.Generator, procedure: str, rate: float) -> tuple[AttemptMade, ...]:
    """The same, working first time with this chance and no other influence."""
    works = bool(rng.random() < rate)
    third = bool(rng.random() < THIRD_PUNCTURE / (1 - rate))
    return made(rng, procedure, works=works, punctures=3 if third and not works else None)


def event(rng: np.random.Generator) -> tuple[str, ...]:
    """Mostly none."""
    return (str(rng.choice(_EVENTS)),) if rng.random() < SERIOUS_EVENT else ()


def _one(rng: np.random.Generator, procedure: str, *, works: bool) -> AttemptMade:
    kind = procedure if procedure in _SITES else "ADULT"
    sites, site_shares = _SITES[kind]
    gauges, gauge_shares = _GAUGES[kind]
    reasons, reason_shares = _REASONS
    site = str(rng.choice(sites, p=site_shares))
    return AttemptMade(
        site=site,
        side="" if site == "scalp" else str(rng.choice(("left", "right"), p=(0.6, 0.4))),
        gauge=int(rng.choice(gauges, p=gauge_shares)),
        result="working" if works else "failed",
        technique="ultrasound" if procedure.endswith("-US") else "landmark",
        reason="" if works else str(rng.choice(reasons, p=reason_shares)),
    )
