"""The demo register: an invented hospital group, two years of its work, told through the doors that users use.

groundplan   the units, and what each does in a year          names      invented people
shifts       when insertions happen                           attempts   how they go, at a seeded true rate
plan         what is going to happen, as plain data           scenario   the steady clinicians and the trainees
stories      people whom the rules must find, by name         telling_*  what happens to them
filling      carries the plan out, each act at its own time   making     which database, and when it is whole
"""
