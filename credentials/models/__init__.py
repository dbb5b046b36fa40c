"""Decisions by kind. `credentials.models` names them all."""

from audits.models import Proposed
from credentials.models.cohorts import Cohort, CohortMember
from credentials.models.decisions import (
    Enrolment,
    Flag,
    FlagReply,
    Founding,
    Learning,
    Programme,
    Referral,
    Rules,
    Standing,
)
from credentials.models.papers import Certificate, LocalPolicy

__all__ = [
    "Certificate",
    "Cohort",
    "CohortMember",
    "Enrolment",
    "Flag",
    "FlagReply",
    "Founding",
    "Learning",
    "LocalPolicy",
    "Programme",
    "Proposed",
    "Referral",
    "Rules",
    "Standing",
]
