"""Speed of a launched body from two light gates, with an honest uncertainty."""

__version__ = "0.1.0"
