"""Are gates, link and clock fit for shooting?

In: batches and shots as they come; out: what was observed over the last minute, and a
verdict on each item with what to do.
Knows nothing of ports, files and screens.
"""
