"""Exercises for a class: "what if" questions about recordings, worksheets, and the error lab."""
