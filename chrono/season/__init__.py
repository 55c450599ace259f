"""Find many recordings, do the same work on each, and return the results in order.

The input is the names of files, folders or patterns, and a function for one recording. The
output is the result for each recording, in order. One or more cores do the work. This package
does not know about screens and options. It does not know how a recording is read and measured:
the function does this.
"""
