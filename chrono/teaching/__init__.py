"""Exercises for a class: "what if" questions about recordings, worksheets, and the error lab.

The code of this package does not import the screens of the program.
"""
