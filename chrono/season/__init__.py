"""Find many recordings, do the same work on each, and return the results in order.

In: names of files, folders, patterns; a function for one recording. Out: the result for each
recording, in order, from one core or many. This room does not know screens and options. It
does not know how a recording is read and measured either: the function does this.
"""
