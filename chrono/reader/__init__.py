"""Read the board's bytes, record them, and decode them into batches of events.

In: bytes of a port or of a recording; out: rows, and batches of events in the counter's own
units. Holds the grammar of lines and rows, the port's thread, the recording's file.
This room does not know what events mean. It contains no processor, no lengths of the rig and no
screens.
"""
