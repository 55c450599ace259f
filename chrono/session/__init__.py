"""The spine: one source of rows, one recording, the log of shots and the operator's entries.

In: decoded rows, live, replayed or read whole, all by `Session.feed`; out: shots, views of
the session, rows to record.
Knows nothing of screens.
"""
