"""From transits to speeds with an honest uncertainty, and statistics of many shots.

In: shots in counter units and a rig, or a series of speeds; out: speeds, error budgets,
coverage, statistics, plans for gates that are not built yet.
Does not know where the numbers came from.
"""
