"""Many recordings: which ones are meant, the same work on each, results in order.

In: names of files, folders, patterns; a function for one recording. Out: what it gave for each,
in the order of the recordings, from one core or many. Knows nothing of screens, of options,
nor of how a recording is read and measured: that is a function's own business.
"""
