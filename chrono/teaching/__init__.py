"""Exercises for a class: assumptions about recordings, tasks on real shots, the error lab.

This room does not know the screens.
"""
