"""Run commands, one after the other, each in a process of its own on this one's streams.

    python tests/kits/forked_commands.py FOLDER < COMMANDS

Each line of COMMANDS is a JSON object with `name`, `words` and `folder`. What a command writes
goes to `NAME.out` and `NAME.err` in FOLDER; a line of JSON on standard output tells how each
ended. The program is loaded once and forked, so that commands and not imports are what runs.
"""

import json
import os
import sys
import traceback
from pathlib import Path

import matplotlib.backends.backend_svg  # loaded before the fork, once for all commands
import matplotlib.figure  # noqa: F401
import pandas  # noqa: F401
import scipy.integrate
import scipy.optimize
import scipy.special  # noqa: F401

import chrono.reports.export_table
import chrono.session.recording_loader  # noqa: F401
from chrono.cli import main


def run(words: list[str], out: Path, err: Path) -> int:
    """Run a command as this process, and return how it ended."""
    for stream, path in ((1, out), (2, err)):
        os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL), stream)
    sys.argv = ["chrono", *words]
    try:
        main()
    except SystemExit as end:
        return int(end.code or 0)
    except BaseException:
        traceback.print_exc()
    return 1


if __name__ == "__main__":
    target = Path(sys.argv[1])
    for line in sys.stdin:
        told = json.loads(line)
        child = os.fork()
        if not child:
            os.chdir(told["folder"])
            path = target / told["name"]
            code = run(told["words"], path.with_suffix(".out"), path.with_suffix(".err"))
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
        ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        print(json.dumps({"name": told["name"], "code": ended}), flush=True)
