"""Watching insertions one after another: learning curves, CUSUM, and exactly how long each takes to signal.

weights      what a failure adds and a success takes away          path          the line itself, with its signals
passage      the exact chain that everything below rests on        run_length    how long until a signal, how likely
learning     the learning curve with its verdict, and the weights of LC-CUSUM
"""

from audits.statistics.sequential.learning import (
    LearningLimits,
    LearningOutcomes,
    Verdict,
    adequacy_weights,
    learning_limits,
    learning_outcomes,
    learning_verdict,
)
from audits.statistics.sequential.path import Path, cusum_path
from audits.statistics.sequential.run_length import (
    RunLength,
    limit_for_run_length,
    run_length,
    signal_probability,
)
from audits.statistics.sequential.weights import Weights, risk_adjusted_weights, score_weights

__all__ = [
    "LearningLimits",
    "LearningOutcomes",
    "Path",
    "RunLength",
    "Verdict",
    "Weights",
    "adequacy_weights",
    "cusum_path",
    "learning_limits",
    "learning_outcomes",
    "learning_verdict",
    "limit_for_run_length",
    "risk_adjusted_weights",
    "run_length",
    "score_weights",
    "signal_probability",
]
