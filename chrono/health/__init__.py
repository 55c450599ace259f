"""Are gates, link and clock ready for shooting?

In: batches and shots as they come; out: what was observed in the last minute, and a verdict on
each item.
Does not know about ports, files and screens.
"""
