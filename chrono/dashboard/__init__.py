"""The terminal dashboard; each screen is in its own file."""
