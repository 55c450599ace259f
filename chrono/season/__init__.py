"""Find many recordings, do the same work on each, and return the results in order.

The caller gives the names of files, folders or patterns, and a function that works on one
recording. One or more processor cores do the work. This package shows nothing on a screen, and
reads no command options.
"""
