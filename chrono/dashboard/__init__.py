"""The terminal dashboard. The code of each screen is in its own file."""
