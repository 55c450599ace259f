"""Exercises for a class: "what if" questions on recordings, worksheets, and the error lab."""
