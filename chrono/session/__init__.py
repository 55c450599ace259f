"""Run sessions: take rows, write recordings, and keep the shots and the operator's entries.

Input: decoded rows from a live board, from a replay or from a complete file. All rows go
through `Session.feed`.
Output: shots, views of the session, and rows for the recording.
This package does not use screens.
"""
