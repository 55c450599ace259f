"""From the board's bytes to decoded batches, and recordings of them.

In: bytes of a port or of a recording; out: rows, and batches of events in the counter's own
units. Holds the grammar of lines and rows, the port's thread, the recording's file.
Knows nothing of what events mean: no processor, no rig's lengths, no screens.
"""
