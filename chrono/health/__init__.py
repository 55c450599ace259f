"""Judge whether gates, link and clock are ready for shooting.

In: batches and shots as they come. Out: the observations of the last minute, and a verdict on
each item.
This room knows nothing about ports, files and screens.
"""
