"""A session on other people's screens: a page in the local network that follows a recording.

The page's state is made once for each change, and everyone gets the same bytes. A slow viewer
misses states, but never slows down others. The page only shows. Clocking runs in another
process, so nothing from the network can delay a shot.
"""
