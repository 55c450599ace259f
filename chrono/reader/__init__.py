"""Read the board's bytes, record them, and decode them into batches of events.

The input is the bytes of a port or of a recording. The output is rows, and batches of events in
counter units. This package defines the format of lines and rows. It contains the thread that
reads the port, and the code that reads and writes recordings. It does not know what events
mean. It contains no processor, no lengths of the rig and no screens.
"""
