"""Many recordings: finding them, the same work on each, results in order.

In: names of files, folders, patterns; a function for one recording. Out: its result for each
recording, in their order, from one core or many. Knows nothing about screens and options, or
about how a recording is read and measured: the function does that.
"""
