"""Compute speeds and their uncertainties from transits, and statistics of many shots.

The input is a rig and its shots, with times in counter units. The input may also be a series of
speeds. The package computes speeds, error budgets, coverage intervals, statistics, and plans
for gates that are not built yet.
"""
