"""Statistics of insertions: pure functions of counts, rates and thresholds.

Every module here depends on numpy and scipy alone, reads no clock, setting or model, and names its sources. Variables
say `failure_rate` or `success_rate`, never a bare p. A figure is evidence for a person to look at, never a decision:
attempts in one patient, or on difficult veins, are neither independent nor alike, and no formula here knows it.

proportions   intervals for k of n                      sequential   learning curves, CUSUM, exact run lengths
funnel        limits for comparing units                shrinkage    beta-binomial prior and posterior
rates         Poisson intervals, observed to expected   agreement    kappa, AC1          reliability   alpha
operating     what a rule does: how often it flags a sound clinician, and how soon a failing one
"""
