"""A share command in a process of its own, as its users run it."""

import os
import re
import signal
import threading
from pathlib import Path
from subprocess import DEVNULL

from program_kit import Program
from waiting import PATIENCE_S


class Shared:
    """
    A share command that runs, and what it has said so far.

    It is ended by force after `patience_s`.
    """

    def __init__(
        self,
        *words: object,
        patience_s: float = PATIENCE_S,
        stdin: object = DEVNULL,
        **env: str,
    ) -> None:
        self.process = Program(
            *("share", *words, "--web-port", "0"),
            env=env,
            stdin=stdin,
            text=True,
            start_new_session=True,
        )
        self._guard = threading.Timer(patience_s, self.process.kill)
        self._guard.start()
        self.said = ""
        while "press ctrl+c to stop" not in self.said:
            line = self.process.stderr.readline()
            assert line, f"ended early: {self.said}"
            self.said += line
        self.url = re.search(r"http://([\d.]+):(\d+)(/\S*)", self.said)
        assert self.url is not None, self.said
        self.address, self.port, self.path = self.url[1], int(self.url[2]), self.url[3]

    def serving_process(self) -> int:
        """Return the number of the process that serves a board's page."""
        own = self.process.pid
        children = Path(f"/proc/{own}/task/{own}/children").read_text().split()
        commands = {int(c): Path(f"/proc/{c}/cmdline").read_bytes() for c in children}
        (found,) = [c for c, command in commands.items() if b"spawn_main" in command]
        return found

    def end(self, number: int = signal.SIGINT) -> tuple[str, str]:
        """Send a signal as ctrl+c does, to all processes of the command; return the rest."""
        os.killpg(self.process.pid, number)
        out, err = self.process.stdout.read(), self.process.stderr.read()
        self.process.wait()
        self._guard.cancel()
        self.process.stdout.close()
        self.process.stderr.close()
        return out, err


def memory_bytes(process: int) -> int:
    """Return what a process holds in memory."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+) kB", status)[1]) * 1024
