"""A page in the local network that follows a recording, for other people's screens.

The server makes the page's state once for each change, and every viewer gets the same bytes. A
slow viewer misses states, but never slows down others. The page can change nothing. Clocking
runs in another process, so nothing from the network can delay a shot.
"""
