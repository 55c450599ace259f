"""Read the bytes from the board, record them, and decode them into batches of events.

The input is the bytes of a port or of a recording. The output is the rows of a recording, and
batches of events. The times of the events are in counter units. This package defines the format
of the board's lines and of a recording's rows. The package contains the thread that reads the
port, and the code that reads and writes recordings. The package does not know what the events
mean. The package does not find shots in the events, does not know the size of the gates, and
shows nothing on a screen.
"""
