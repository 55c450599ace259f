"""What processes that share much work are forked from: loaded once, for all of them.

One recording is read here and its result forgotten: all that is loaded or worked out at first
use is then in memory that the processes share, the coverage of its rig above all.
"""

import gc
import os
from contextlib import suppress
from pathlib import Path

from chrono.arrays import compiled
from chrono.season.engine import FIRST
from chrono.season.sources import Source
from chrono.season.tasks import Export


def read_once(where: str) -> None:
    """Read a recording for what stays loaded; what is wrong with it, its own turn tells."""
    path = Path(where)
    with suppress(Exception):
        if path.is_file():
            table, _ = Export()(path, Source(where, path.name, 0))
            list(table.chunks)


compiled.load()
if where := os.environ.get(FIRST):
    read_once(where)
gc.collect()
gc.freeze()  # collecting would write to pages that are shared
