"""Compute speeds and their uncertainties from transits, and statistics of many shots.

The input is a rig and its shots, with times in counter units, or a list of speeds. The package
also computes error budgets, coverage intervals, and plans for gates that are not built yet.
"""
