"""The program in a process of its own, forked from one that has loaded it already.

What such a process does is what `python -m chrono` does, from the streams on to the end of the
interpreter; only the libraries are there before. Where the start itself is the point (streams
closed beforehand, the locale, what is loaded), tests start an interpreter.

    python tests/kits/program_kit.py    (started by `Program` alone, its socket as input)
"""

import gc
import io
import json
import os
import runpy
import signal
import socket
import subprocess
import sys
import threading
import weakref
from functools import cache
from pathlib import Path
from typing import IO, Any, Self


class Program:
    """
    The program at work, with the attributes of a `subprocess.Popen` that tests ask for.

    Parameters
    ----------
    *words : object
        Behind `chrono`.
    cwd : Path, optional
    env : dict, optional
        Variables beside those of this process. What Python and Textual read at their start has
        no effect, except `PYTHONIOENCODING`.
    stdin, stdout, stderr : int or file
        As for `subprocess.Popen`, but nothing is read and all is piped by default.
    text : bool
        Whether the pipes give text in place of bytes.
    start_new_session : bool
        Whether it leads a session, and so a group of processes.
    """

    def __init__(
        self,
        *words: object,
        cwd: Path | None = None,
        env: dict[str, str] | None = None,
        stdin: Any = subprocess.DEVNULL,
        stdout: Any = subprocess.PIPE,
        stderr: Any = subprocess.PIPE,
        text: bool = False,
        start_new_session: bool = False,
    ) -> None:
        self.args, self.returncode = words, None
        told = {
            "words": [str(word) for word in words],
            "folder": str(cwd or Path.cwd()),
            "variables": dict(os.environ | (env or {})),
            "leads": start_new_session,
        }
        self.stdin: Any = None
        self.stdout: Any = None
        self.stderr: Any = None
        handed = []
        for name, wanted in (("stdin", stdin), ("stdout", stdout), ("stderr", stderr)):
            ours, its = _ends(wanted, "wb" if name == "stdin" else "rb")
            setattr(self, name, io.TextIOWrapper(ours, "utf-8") if ours and text else ours)
            handed.append(its)
        status, its_status = os.pipe()
        socket.send_fds(_forking()[0], [json.dumps(told).encode()], [*handed, its_status])
        for number in (*handed, its_status):
            os.close(number)
        self._status: IO[str] = os.fdopen(status)
        self._ended, self._lock = threading.Event(), threading.Lock()
        self.pid = int(self._status.readline())
        _started.add(self)
        threading.Thread(target=self._wait_for_end, daemon=True).start()

    def _wait_for_end(self) -> None:
        code = self._status.readline()
        with self._lock:  # so that no other process can have its number when it gets a signal
            self.returncode = int(code or 0)
            self._ended.set()
        self._status.close()

    def poll(self) -> int | None:
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        if not self._ended.wait(timeout):
            raise subprocess.TimeoutExpired(list(map(str, self.args)), timeout or 0.0)
        assert self.returncode is not None
        return self.returncode

    def send_signal(self, number: int) -> None:
        with self._lock:
            if not self._ended.is_set():
                os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)

    def communicate(self) -> tuple[Any, Any]:
        """Return the rest of both outputs, and wait for the end."""
        said: list[Any] = [None]
        beside = threading.Thread(
            target=lambda: said.append(self.stderr.read() if self.stderr else None)
        )
        beside.start()
        out = self.stdout.read() if self.stdout else None
        beside.join()
        self.wait()
        return out, said[-1]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for stream in (self.stdin, self.stdout, self.stderr):
            if stream:
                stream.close()
        self.wait()


def _ends(wanted: Any, mode: str) -> tuple[Any, int]:
    """Return the end of a stream that is ours, if any, and the descriptor that is handed on."""
    if wanted == subprocess.DEVNULL:
        return None, os.open(os.devnull, os.O_RDWR)
    if wanted != subprocess.PIPE:
        return None, os.dup(wanted if isinstance(wanted, int) else wanted.fileno())
    reading, writing = os.pipe()
    ours, its = (writing, reading) if mode == "wb" else (reading, writing)
    return os.fdopen(ours, mode), its


@cache
def _forking() -> tuple[socket.socket, "subprocess.Popen[bytes]"]:
    """Start the process that programs are forked from, and return it with the way to it."""
    ours, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    command = [sys.executable, __file__]
    with its:
        return ours, subprocess.Popen(command, stdin=its, start_new_session=True)


_started: "weakref.WeakSet[Program]" = weakref.WeakSet()


def end_forking() -> None:
    """End the process that programs are forked from; no program may be left."""
    if not _forking.cache_info().currsize:
        return
    left = [program for program in _started if program.poll() is None]
    for program in left:  # a test that failed left it, and the forking process waits for it
        program.kill()
    way, process = _forking()
    way.close()
    process.wait()
    _forking.cache_clear()
    assert not left, [program.args for program in left]


# -- the process that programs are forked from ------------------------------------------------


def next_told(ours: socket.socket) -> dict[str, Any] | None:
    """Return, in a fork of its own, what the next program is to do; None at the end of all."""
    waiting = 0
    while True:
        message, numbers, _, _ = socket.recv_fds(ours, 1 << 20, 4)
        while waiting and os.waitpid(-1, os.WNOHANG if message else 0)[0]:
            waiting -= 1
        if not message:
            return None
        waiting += 1
        if not os.fork():
            *streams, status = numbers
            ours.close()
            program = os.fork()
            if not program:
                os.close(status)
                take_streams(streams)
                told: dict[str, Any] = json.loads(message)
                return told
            for number in (0, *streams):
                os.close(number)
            os.write(status, b"%d\n" % program)
            code = os.waitstatus_to_exitcode(os.waitpid(program, 0)[1])
            os.write(status, b"%d\n" % code)
            os._exit(0)
        for number in numbers:
            os.close(number)


def take_streams(numbers: list[int]) -> None:
    """Make these descriptors the standard ones."""
    for standard, number in enumerate(numbers):
        os.dup2(number, standard)
    for number in numbers:
        os.close(number)


def open_streams(encoding: str) -> None:
    """Give Python its standard streams as it opens them at its start."""
    encoding, _, errors = encoding.partition(":")
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        stream: Any = open(number, "wb" if number else "rb", closefd=False)  # noqa: SIM115
        text = io.TextIOWrapper(
            stream,
            encoding or "utf-8",
            "backslashreplace" if name == "stderr" else errors or "strict",
            line_buffering=name == "stderr" or os.isatty(number),
        )
        text.mode = "w" if number else "r"
        setattr(sys, name, text)
        setattr(sys, f"__{name}__", text)


def main() -> None:
    """Fork programs until the tests are over; each goes on behind the loop."""
    import pandas  # noqa: F401
    import scipy.special  # noqa: F401

    import chrono.cli
    import chrono.commands.share_command
    import chrono.reports.export_table
    import chrono.season.worker_pool
    import chrono.session.live_run
    import chrono.session.recording_loader
    import chrono.sharing.share_server  # noqa: F401

    gc.collect()
    gc.freeze()
    ours = socket.socket(fileno=os.dup(0))
    told = next_told(ours)
    if told is None:
        return
    if told["leads"]:
        os.setsid()
    os.environ.clear()
    os.environ.update(told["variables"])
    os.chdir(told["folder"])
    open_streams(told["variables"].get("PYTHONIOENCODING", ""))
    sys.path[0] = ""
    sys.argv = ["chrono", *told["words"]]
    runpy.run_module("chrono", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
