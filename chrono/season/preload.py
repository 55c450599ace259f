"""What processes that share much work are forked from: loaded once, for all of them."""

import chrono.season.tasks  # noqa: F401
from chrono.arrays import compiled

compiled.load()
