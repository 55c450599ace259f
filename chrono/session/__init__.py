"""Run sessions: process rows, write recordings, and store shots and the operator's entries.

The rows come from a live board, from a replay or from a complete file. The function
`Session.feed` processes all rows. This package does not draw a screen.
"""
