"""This package shows a growing recording to other people, on a web page in the local network.

The server prepares each new state of the page only once, and sends the same bytes to every
viewer. A viewer with a slow connection misses some states, but does not slow down other
viewers. The web page cannot change the recording. Another process measures the shots, so the
network cannot delay a shot.
"""
