"""The program on a system without POSIX: modules and calls that Windows does not have are gone.

    python -m without_posix export season -o all.csv
    pytest -p without_posix tests/reader

What stays is what Python and its libraries need here to stand in for Windows' own ways:
sockets, pyserial's ports, the start of processes.
"""

import multiprocessing
import os
import signal
import sys
import warnings
from importlib import import_module

LIBRARIES = (
    *("asyncio", "platformdirs", "serial", "subprocess", "textual.drivers.linux_driver"),
    "uvicorn",
)
MODULES = "fcntl", "grp", "posix_ipc", "pty", "pwd", "resource", "syslog", "termios", "tty"
OF_OS = (
    *("fchmod", "fchown", "fork", "forkpty", "killpg", "mkfifo", "nice"),
    *("openpty", "pread", "pwrite", "sched_getaffinity", "set_blocking", "setsid", "sync"),
    *("O_CLOEXEC", "O_DIRECTORY", "O_NOFOLLOW", "O_NONBLOCK"),
)
OF_SIGNAL = (
    *("SIGALRM", "SIGCHLD", "SIGHUP", "SIGKILL", "SIGPIPE", "SIGUSR1", "SIGUSR2"),
    *("alarm", "pthread_kill", "pthread_sigmask", "setitimer", "siginterrupt", "sigwait"),
)


def hide() -> None:
    """Take away what Windows does not have."""
    # These ask by the system's name, and have another way on Windows.
    for name in LIBRARIES:
        import_module(name)
    for name in MODULES:
        sys.modules[name] = None  # type: ignore[assignment]
    for module, names in ((os, OF_OS), (signal, OF_SIGNAL)):
        for name in names:
            if hasattr(module, name):
                delattr(module, name)
    multiprocessing.get_all_start_methods = lambda: ["spawn"]  # type: ignore[assignment]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that locks have to do without `fcntl`
        import_module("filelock")


hide()

if __name__ == "__main__":
    from chrono.__main__ import main

    main()
