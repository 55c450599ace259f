"""The board and the wire: edges to lines, lines to rows of a recording.

Wire format 1: fields separated by one space, CRC-16/CCITT-FALSE at the end; edges and beats
share one sequence. The host stamps each line when its last byte arrives.
"""

import binascii
import json
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from .bodies import CLOCK_HZ, COUNTER_BITS, JITTER_S, RIG, Edge
from .kinds import Event

MODULUS = 1 << COUNTER_BITS
BYTE_S = 10 / 1_000_000
"""One byte at 1 Mbaud with start and stop bit."""
APART_S = 67 / CLOCK_HZ
"""Edges nearer than this cannot both be timed exactly."""
HOST_RATE = 20e-6
"""The host's clock against the board's crystal."""


def sealed(fields: str) -> bytes:
    """Return a line with its check value (`binascii.crc_hqx` has the polynomial 1021)."""
    text = fields.encode()
    return text + b" %04X" % binascii.crc_hqx(text, 0xFFFF)


def escaped(line: bytes) -> bytes:
    r"""Return a line as a recording holds it: `\xHH`, `\t` and `\\` for odd bytes."""
    return b"".join(
        b"\\\\" if c == 0x5C else b"\\t" if c == 9 else bytes([c])
        if 0x20 <= c < 0x7F else b"\\x%02X" % c
        for c in line
    )  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One line the board sent, with the host's time, and whether it arrives."""

    host_us: int
    text: bytes
    fate: str = ""
    """Empty: it arrives; `wire`: it does not; `damaged`: one byte is wrong."""


@dataclass
class Wire:
    """Everything that reached the host, and the truth about what did not."""

    lines: list[Line] = field(default_factory=list)
    others: list[tuple[int, bytes]] = field(default_factory=list)
    """Rows that are no board lines: (host_us, row)."""
    by_owner: dict[int, list[tuple[Edge, int]]] = field(default_factory=dict)
    """Edges of each launch with their row's host time, -1 where there is no row."""
    beats_s: list[float] = field(default_factory=list)
    """When the beats that arrived were sent."""
    untold: set[int] = field(default_factory=set)
    """Launches whose edge the board lost, and whose loss it forgot before it could tell it."""
    tally: Counter[str] = field(default_factory=Counter)

    def rows(self) -> bytes:
        """Return the rows of the recording in order, without its header line."""
        board = [
            (line.host_us, b"%d\tboard\t%s\n" % (line.host_us, escaped(_arrived(line))))
            for line in self.lines
            if line.fate != "wire"
        ]
        return b"".join(row for _, row in sorted(board + self.others, key=lambda r: r[0]))


def _arrived(line: Line) -> bytes:
    if line.fate != "damaged":
        return line.text
    place = len(line.text) // 2
    return line.text[:place] + bytes([line.text[place] ^ 0x11]) + line.text[place + 1 :]


class Board:
    """The microcontroller: its counter, its restarts, its link to the host."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.events: list[Event] = []
        self.epochs = [(0.0, MODULUS - int(rng.uniform(5, 20) * CLOCK_HZ))]
        """When each count began [s], and with what value."""

    def add(self, event: Event) -> None:
        """Note that the board or the link goes away for a while."""
        self.events.append(event)
        if event.what != "link":
            self.epochs.append((event.up_s, self._start_value()))

    def _start_value(self) -> int:
        """Zero or little more, or so near the end that the counter wraps within a minute."""
        if self.rng.random() < 0.5:
            return int(self.rng.uniform(0, 0.01) * CLOCK_HZ)
        return MODULUS - int(self.rng.uniform(5, 40) * CLOCK_HZ)

    def next_wrap(self, now_s: float) -> float:
        """Return when the counter wraps next after `now_s` [s]."""
        began, value = self.epochs[-1]
        counted = value + max(now_s - began, 0.0) * CLOCK_HZ
        return now_s + (MODULUS - counted % MODULUS) / CLOCK_HZ

    def send(self, edges: list[Edge], end_s: float) -> Wire:
        """Send all edges, with the beats and hello lines between them."""
        return _Sender(self, end_s).run(edges)

    def exact(self, time_s: float) -> float:
        """Return the counter's value as a real number, before it wraps [ticks]."""
        began, value = [e for e in self.epochs if e[0] <= time_s][-1]
        return value + (time_s - began) * CLOCK_HZ


class _Sender:
    """One pass over the session: what the board does at each moment, in order of time."""

    def __init__(self, board: Board, end_s: float) -> None:
        self.board, self.rng, self.wire = board, board.rng, Wire()
        self.end_s = end_s
        self.sequence = self.board_lost = 0
        self.levels = [0, 0]
        self.last_edge_s = -1.0
        self.line_free_s = 0.0
        self.last_host_us = 0
        self.stall_until_s = -1.0
        self.to_tell: set[int] = set()

    def run(self, edges: list[Edge]) -> Wire:
        start = "2024-05-04T10:00:00+02:00"
        self._json_row("file", {"format": 1, "program": "test", "start": start})
        self._json_row("rig", RIG)
        self._link("opened")
        self._hello(0.05)
        for time, action, what in self._agenda(edges):
            if action == "edge":
                self._edge(what)
            elif action == "beat":
                self._beat(time)
            elif action == "down":
                self._down(what)
            else:
                self._up(what)
        return self.wire

    def _agenda(self, edges: list[Edge]) -> list[tuple[float, str, object]]:
        agenda: list[tuple[float, str, object]] = [(e.time_s, "edge", e) for e in edges]
        starts = [began for began, _ in self.board.epochs]
        for began, stop in zip(starts, [*starts[1:], self.end_s], strict=True):
            agenda += [(t, "beat", None) for t in np.arange(began + 1.0, stop, 1.0)]
        for event in self.board.events:
            agenda += [(event.down_s, "down", event), (event.up_s, "up", event)]
        return sorted(agenda, key=lambda a: a[0])

    def _is_off(self, time_s: float, *whats: str) -> bool:
        return any(e.down_s <= time_s < e.up_s and e.what in whats for e in self.board.events)

    def _edge(self, edge: Edge) -> None:
        self.levels[edge.gate] = edge.level
        host = -1
        if self._is_off(edge.time_s, "restart", "reset") or edge.lost == "sensor":
            edge.lost = edge.lost or "board"
        elif edge.lost == "board":
            self.board_lost += 1
            self.to_tell.add(edge.owner)
            self.wire.tally["board_lost"] += 1
        else:
            host = self._edge_line(edge)
        self.wire.by_owner.setdefault(edge.owner, []).append((edge, host))

    def _edge_line(self, edge: Edge) -> int:
        stamp = self.board.exact(edge.time_s + self.rng.normal(0, JITTER_S))
        if edge.time_s - self.last_edge_s < APART_S:
            edge.late = True
            stamp = self.board.exact(max(edge.time_s, self.last_edge_s + APART_S))
        if edge.late:
            stamp += self.rng.uniform(10, 98)
        self.last_edge_s = edge.time_s
        kind, gate = "EL"[edge.late], "AB"[edge.gate]
        text = f"{kind} %04X {gate} {edge.level} {int(stamp) % MODULUS:08X}"
        self.wire.tally["late" if edge.late else "edges"] += 1
        return self._numbered(edge.time_s, text, edge)

    def _beat(self, time_s: float) -> None:
        if self._is_off(time_s, "restart", "reset"):
            return
        counter = int(self.board.exact(time_s)) % MODULUS
        a, b = self.levels
        self.wire.tally["beats"] += 1
        host = self._numbered(time_s, f"T %04X {counter:08X} {a}{b} {self.board_lost:04X}")
        if host >= 0:
            self.wire.beats_s.append(time_s)
            self.to_tell.clear()

    def _numbered(self, time_s: float, text: str, edge: Edge | None = None) -> int:
        line = sealed(text % self.sequence)
        self.sequence = (self.sequence + 1) & 0xFFFF
        fate = edge.lost if edge else ""
        if self._is_off(time_s, "link"):
            fate = "wire"
        host = self._host_us(time_s, len(line) + 1)
        self.wire.lines.append(Line(host, line, fate))
        if fate:
            self.wire.tally[fate] += 1
        if edge and fate:
            edge.lost = fate
        return -1 if fate else host

    def _hello(self, time_s: float) -> None:
        line = sealed(f"H 1 {CLOCK_HZ} {COUNTER_BITS} gates-328p 1.0")
        self.wire.lines.append(Line(self._host_us(time_s, len(line) + 1), line))
        self.wire.tally["hello"] += 1

    def _down(self, event: Event) -> None:
        if event.what != "restart":
            self._link("lost", event.down_s)

    def _up(self, event: Event) -> None:
        if event.what != "restart":
            self._link("reopened", event.up_s)
        if event.what != "link":
            self.sequence = self.board_lost = 0
            self.wire.untold |= self.to_tell
            self.to_tell.clear()
            self.wire.tally["restarts"] += 1
        if event.hello:
            self._hello(event.up_s)

    def _link(self, event: str, time_s: float = 0.0) -> None:
        self._json_row("link", {"event": event, "port": "test", "reason": ""}, time_s)

    def _json_row(self, origin: str, data: object, time_s: float = 0.0) -> None:
        host = self._host_us(time_s, 0)
        row = b"%d\t%s\t%s\n" % (host, origin.encode(), json.dumps(data).encode())
        self.wire.others.append((host, row))

    def _host_us(self, time_s: float, size: int) -> int:
        """Return when the host stamps a line of `size` bytes that was ready at `time_s`."""
        self.line_free_s = max(self.line_free_s, time_s) + size * BYTE_S
        arrival = self.line_free_s + self.rng.uniform(0, 1e-3)
        if self.rng.random() < 0.002:
            self.stall_until_s = arrival + self.rng.uniform(5e-3, 80e-3)
        arrival = max(arrival, self.stall_until_s) * (1 + HOST_RATE)
        self.last_host_us = max(int(arrival * 1e6), self.last_host_us + 1)
        return self.last_host_us
