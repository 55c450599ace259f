"""From transits to speeds with an honest uncertainty, and what many shots come to.

In: shots in counter units and a rig, or a series of speeds; out: speeds, error budgets,
coverage, statistics, plans for gates that are yet to be built.
Knows nothing of where the numbers came from.
"""
