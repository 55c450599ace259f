"""What processes that share much work are forked from: loaded once, for all of them.

One recording is read here and its result forgotten: all that is loaded or worked out at first
use is then in memory that the processes share, the coverage of its rig above all.
"""

import gc
import os
from contextlib import suppress
from pathlib import Path

gc.disable()  # hardly anything of what is loaded can be collected, and looking takes a tenth

from chrono.arrays import machine_code  # noqa: E402
from chrono.season.batch_tasks import Export  # noqa: E402
from chrono.season.recording_finder import RecordingSource  # noqa: E402
from chrono.season.worker_pool import FIRST  # noqa: E402


def read_once(where: str) -> None:
    """Read a recording for what stays loaded; what is wrong with it, its own turn tells."""
    path = Path(where)
    with suppress(Exception):
        if path.is_file():
            table, _ = Export()(path, RecordingSource(where, path.name, 0))
            list(table.chunks)


machine_code.load_numba()
if where := os.environ.get(FIRST):
    read_once(where)
gc.freeze()  # collecting would write to pages that are shared
gc.enable()
