"""
Faults between a board and the program, on a pseudo-terminal.

What is knowable of damage: every byte that arrived is in the recording; a received line
that is neither one of those sent nor empty counts as damaged; a numbered line that did not
arrive whole is missing from the sequence. A CRC of 16 bits passes one arbitrarily damaged
line in 65536.
"""

import itertools
import os
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from faulty_wire import FaultyWire, Injected

from chrono.arrays.events import NO_SEQUENCE, Batch, EventKind
from chrono.reader.port_reader import PortReader
from chrono.reader.recording_reader import read_blocks
from chrono.reader.recording_rows import unescape
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import Journal
from chrono.rigs.line_kinds import FRAMED
from chrono.virtual.scenarios import SCENARIOS
from chrono.virtual.virtual_board import board_lines

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

LINES = 6000
END = b"\n--- the end ---\n"


class Received:
    """What a program made of a faulty wire."""

    def __init__(self, injected: Injected, path: Path, given: bytes) -> None:
        self.injected = injected
        self.rows = b"".join(read_blocks(path))
        self.given = given
        self.batch: Batch = decode_rows(self.rows, FRAMED)
        fields = [row.split(b"\t") for row in self.rows.splitlines()]
        self.lines = [unescape(text) for _, origin, text in fields if origin == b"board"]


def receive(folder: Path, share: float, seed: int) -> Received:
    """Send the lines of a board over a faulty wire to a port that writes a recording."""
    lines = [
        line for _, line in itertools.islice(board_lines(SCENARIOS["air-low"], seed), LINES)
    ]
    writer = RecordingWriter(folder / "x.tsv")
    journal = Journal(itertools.count().__next__, writer)
    with FaultyWire(folder / "port", share, seed) as wire:
        reader = PortReader(str(folder / "port"), journal.append, itertools.count().__next__)
        reader.start()
        given = bytearray()
        for start in range(0, LINES, 100):
            wire.send(b"".join(lines[start : start + 100]))
            given += journal.drain()
        # the rest of the pseudo-terminal's buffer, until the mark after it arrives
        wire.send_whole(END)
        while END.strip() not in given:
            assert reader.failure is None
            given += journal.drain()
        assert reader.status.state == "open"
        reader.stop()
    writer.close()
    return Received(wire.done, folder / "x.tsv", bytes(given))


@pytest.fixture(scope="module", params=[0.0, 0.001, 0.01, 0.1])
def received(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Received:
    return receive(tmp_path_factory.mktemp("wire"), request.param, seed=4)


def test_the_injector_does_what_it_counts(received: Received) -> None:
    done = received.injected
    assert len(done.delivered) == len(done.sent) - done.dropped + done.doubled
    if not done.touched:
        assert done.delivered == done.sent
    else:
        assert min(done.flipped, done.dropped, done.doubled) > 0


def test_every_byte_that_arrived_is_in_the_recording(received: Received) -> None:
    expected = bytes(received.injected.delivered) + END.removesuffix(b"\n")
    assert b"\n".join(received.lines) == expected


def test_what_is_handed_on_is_what_was_recorded(received: Received) -> None:
    assert received.given == received.rows


def test_the_tally_of_damaged_lines_is_that_of_lines_unlike_any_sent(
    received: Received,
) -> None:
    sent = set(bytes(received.injected.sent).split(b"\n"))
    unlike = [line for line in received.lines if line not in sent]
    carriage = [x for x in unlike if x.endswith(b"\r") and x.removesuffix(b"\r") in sent]
    by_chance = len(unlike) / 65536
    assert b"" in sent  # so an empty line, a doubled newline, is none of the damaged ones
    expected = len(unlike) - len(carriage)
    assert received.batch.damaged == pytest.approx(expected, abs=5 * by_chance + 1e-9)


def test_every_line_that_arrived_whole_is_used_and_no_other(received: Received) -> None:
    sent = Counter(bytes(received.injected.sent).split(b"\n")[:-1])
    arrived = Counter(x.removesuffix(b"\r") for x in received.lines)
    whole = sum((arrived & sent).values())
    doubled = sum(n - sent[x] for x, n in arrived.items() if x in sent and n > sent[x])
    used = len(received.batch.events) - _damaged_events(received.batch)
    hellos = sum(c.origin == "hello" for c in received.batch.controls)
    assert used + hellos == whole + doubled


def test_lost_lines_show_as_gaps_of_the_sequence(received: Received) -> None:
    sequence = received.batch.events.sequence
    numbers = sequence[sequence != NO_SEQUENCE].astype(np.int64)
    missing = int(((np.diff(numbers) - 1) % 65536).sum())
    sent = [x for x in bytes(received.injected.sent).split(b"\n") if x[:1] in b"ELT" and x]
    arrived = {x.removesuffix(b"\r") for x in received.lines}
    whole = [x in arrived for x in sent]
    first, last = whole.index(True), len(whole) - whole[::-1].index(True)
    assert missing == whole[first:last].count(False)


def _damaged_events(batch: Batch) -> int:
    return int((batch.events.kind == EventKind.DAMAGED).sum())
