"""The rules, pure: from dated facts and figures to a standing with its reasons. No database, no clock, no settings.

facts, terms, ruleset   what goes in, with `audits.figures.Figures`       reading      typed values out of JSON content
asking                  what the rules want to know of the evidence       answers      the four answers, the statuses
status, plans, return_step, ceiling, progress                             the parts of an answer
first_attempt_rate, drift, repeated_failure, recency, volume, attempts_limit, serious_event, expiry      one rule each
standing                the judgement for each unit, and the answer at any     body    the same as canonical data
next_change             the next day on which a standing could change         flagging    which findings raise a flag
sentences, words        what a person reads

To add a rule: a module with RULE, `findings(facts, figures, on)` and `not_assessable(facts, figures, on)`; its
parameters in `ruleset.PARAMETERS`; what it asks of the evidence in `asking`; the module in `standing.RULES`; each day
on which it can begin or cease without new evidence in `next_change`. The walk over every day in the tests holds it to
that.
"""
