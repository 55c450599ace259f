"""Compute speeds with an honest uncertainty from transits, and statistics of many shots.

Input: shots in counter units and a rig, or a series of speeds. Output: speeds, error budgets,
coverage intervals, statistics, and plans for gates that are not built yet. This package does
not know where the numbers came from.
"""
