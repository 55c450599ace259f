"""The dashboard under textual-serve, whose streams are pipes and no terminal."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import BinaryIO

import pytest
from waiting import patience

from chrono.commands.command_options import wants_dashboard

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
WEB_DRIVER = "textual.drivers.web_driver:WebDriver"


class NoTerminal:
    def isatty(self) -> bool:
        return False


class Terminal:
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("driver", "term", "streams", "wanted"),
    [
        (WEB_DRIVER, "xterm", NoTerminal, True),
        (WEB_DRIVER, "dumb", NoTerminal, True),  # served by a program without a terminal
        (WEB_DRIVER, "", NoTerminal, True),
        ("", "xterm", NoTerminal, False),
        ("", "xterm", Terminal, True),
        ("", "dumb", Terminal, False),
    ],
)
def test_a_browsers_terminal_is_one_whatever_the_streams_are(
    monkeypatch, driver, term, streams, wanted
) -> None:
    monkeypatch.setenv("TEXTUAL_DRIVER", driver)
    monkeypatch.setenv("TERM", term)
    for name in ("stdin", "stdout", "stderr"):
        monkeypatch.setattr(sys, name, streams())
    assert wants_dashboard(no_dashboard=False, as_json=False) is wanted
    assert not wants_dashboard(no_dashboard=True, as_json=False)
    assert not wants_dashboard(no_dashboard=False, as_json=True)


def test_one_stream_that_is_no_terminal_is_enough_to_print(monkeypatch) -> None:
    monkeypatch.delenv("TEXTUAL_DRIVER", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for other in ("stdin", "stdout", "stderr"):
        for name in ("stdin", "stdout", "stderr"):
            monkeypatch.setattr(sys, name, NoTerminal() if name == other else Terminal())
        assert not wants_dashboard(no_dashboard=False, as_json=False)


def packet(kind: bytes, payload: bytes) -> bytes:
    return kind + len(payload).to_bytes(4, "big") + payload


def read_packet(stream: BinaryIO) -> tuple[bytes, bytes]:
    kind, size = stream.read(1), int.from_bytes(stream.read(4), "big")
    return kind, stream.read(size)


@pytest.mark.skipif(os.name != "posix", reason="textual-serve runs commands by a POSIX shell")
def test_the_dashboard_speaks_to_a_browser_and_leaves_when_the_tab_is_closed() -> None:
    # The protocol of textual-serve 1.1, from its app_service.py: the word __GANGLION__, then
    # packets of kind, length (4 bytes, the most significant first) and content.
    running = subprocess.Popen(
        [sys.executable, "-m", "chrono", "replay", "--follow", BANDS],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"TEXTUAL_DRIVER": WEB_DRIVER, "COLUMNS": "100", "ROWS": "30"},
    )
    with running, patience(running):
        assert running.stdout.readline() == b"__GANGLION__\n"  # nothing was printed before it
        shown = b""
        while b"27.31" not in shown.replace(b" ", b"") or b"three bands" not in shown:
            kind, content = read_packet(running.stdout)
            assert kind, running.stderr.read()
            shown += content if kind == b"D" else b""
        running.stdin.write(packet(b"M", json.dumps({"type": "quit"}).encode()))
        running.stdin.flush()
        rest, err = running.stdout.read(), running.stderr.read()
    assert running.returncode == 0, err
    assert b"Traceback" not in rest + err
