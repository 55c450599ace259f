"""Run sessions: process rows, write recordings, and store shots and the operator's entries.

The package gets decoded rows from a live board, from a replay or from a complete file. The
function `Session.feed` processes all rows. This package shows nothing on a screen.
"""
