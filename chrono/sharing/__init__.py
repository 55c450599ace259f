"""Show a session on other people's screens: a page in the local network that follows a
recording.

The server makes the page's state once for each change, and every viewer gets the same bytes. A
slow viewer misses states, but never slows down others. The page can change nothing. Clocking
runs in another process, so nothing from the network can delay a shot.
"""
