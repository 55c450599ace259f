"""The spine: one source in, one recording, the log of shots and what the operator said.

In: decoded rows, live, replayed or read whole, all by `Session.feed`; out: shots, views of
the session, rows to record.
Knows nothing of screens.
"""
