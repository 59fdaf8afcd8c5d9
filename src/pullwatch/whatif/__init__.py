"""What is asked of a recording afterwards: other rules, a swept number, another reading of the same bytes.

sameness   whether two plans read the same bytes the same way, and if not, what differs
comparing  the alarms of then beside those of other rules
numbers    the numbers of a setup that can be swept, by name; a plan with one of them changed
kept       what a swept number does not touch, worked out once
sweeping   one number over a range: how many alarms, the first, the least margin, where the result changes
writing    a session written at once, from what was read and judged
redecoding a corrected scale, delay or DBC for an old session: a second reading beside the first
many       several sessions on all cores
"""
