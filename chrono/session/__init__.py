"""Sessions: the source of rows, the recording, the log of shots and the operator's entries.

In: decoded rows. They are live, replayed or read at once, and all go through `Session.feed`.
Out: shots, views of the session, rows to record.
This room knows nothing about screens.
"""
