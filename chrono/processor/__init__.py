"""Make shots from edges: timebase, passages, flicker, pairing, matching, launches.

In: any number of events at a time. Out: shots in counter units; each shot is final when it is
given out. The room contains pure functions over arrays, and small objects that carry state. The
shots do not depend on how the stream is cut. The room does not know about lines, files and
speeds. It only compares lengths and never measures them.
"""
