"""A web page in the local network shows a growing recording on other people's screens.

The server prepares each new state of the page once, and every viewer gets the same bytes. A
slow viewer misses some states, but never slows down other viewers. The page cannot change the
recording. Clocking runs in another process, so the network cannot delay a shot.
"""
