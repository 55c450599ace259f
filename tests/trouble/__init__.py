"""A messy firing line with known truth, and what must come out of it."""
