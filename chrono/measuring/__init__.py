"""Compute speeds with an honest uncertainty from transits, and statistics of many shots.

In: shots in counter units and a rig, or a series of speeds. Out: speeds, error budgets,
coverage, statistics, plans for gates that are not built yet. The room does not know where the
numbers came from.
"""
