"""A session on other people's screens: a page in the local network that follows a recording.

What the page shows is made once for each change and goes to everyone as the same bytes; one who
is slow misses states, never slows down others. The page can only be looked at. Whoever clocks
is another process, so nothing that comes from the network can hold up a shot.
"""
