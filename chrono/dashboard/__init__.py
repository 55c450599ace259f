"""The terminal dashboard, one file per screen."""
