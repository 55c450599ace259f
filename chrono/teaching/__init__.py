"""Exercises for a class: assumptions about recordings, tasks on real shots, the error lab.

This package does not import the screens.
"""
