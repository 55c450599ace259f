"""Read the bytes from the board, record them, and decode them into batches of events.

The bytes come from a port or from a recording. The times of the events are in counter units.
This package defines the format of the board's lines and of a recording's rows. This package
does not find shots in the events, does not know the size of the gates, and shows nothing on a
screen.
"""
