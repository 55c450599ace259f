"""From counter values to a board's lines and a whole recording, written from the contract.

The wire format and the recording's rows are built here by hand, byte for byte, and share no
code with what reads them. CRC: poly 1021, init FFFF (`binascii.crc_hqx` from FFFF).
"""

from __future__ import annotations

import json
from binascii import crc_hqx
from collections.abc import Iterable
from typing import Any

import numpy as np
from gate_board import CAPTURE, Board
from numpy.typing import NDArray

TRAVEL_S = 0.003  # from an edge to its line's last byte at the host
HEADER = "host_us\torigin\tline"
FILE = {"format": 1, "program": "0.1.0", "start": "2026-03-02T10:00:00+01:00"}
Timed = tuple[float, str]  # board's own seconds, line


def framed(body: str) -> str:
    """A line with its CRC."""
    return f"{body} {crc_hqx(body.encode('ascii'), 0xFFFF):04X}"


def framed_lines(
    edges: NDArray[np.void],
    board: Board = CAPTURE,
    *,
    lost: NDArray[np.bool_] | None = None,
    beats: bool = True,
    beat_phase_s: float = 0.0,
    until_s: float | None = None,
) -> list[Timed]:
    """Hello, edges and beats in order; an edge marked `lost` leaves a gap in the sequence.

    Beats come at each whole second of the counter, `beat_phase_s` later; the last one follows
    the last edge, or stands at `until_s`.
    """
    events = [(int(e["ticks"]), _edge_body(e, board), i) for i, e in enumerate(edges)]
    if beats:
        last = edges["ticks"].max() / board.frequency_hz + 1.5 if len(edges) else 1.5
        seconds = np.arange(1, int(until_s or last) + 1) + beat_phase_s
        events += _beats(edges, board, np.rint(seconds * board.frequency_hz).astype(np.int64))
    events.sort(key=lambda event: event[0])
    hello = f"H 1 {board.frequency_hz:.0f} {board.bits} gates-328p 1.0"
    lines = [(0.001, framed(hello))]
    for sequence, (ticks, body, edge) in enumerate(events):
        if edge is None or lost is None or not lost[edge]:
            kind, rest = body.split(" ", 1)
            told = framed(f"{kind} {sequence % 65536:04X} {rest}")
            lines.append((ticks / board.frequency_hz, told))
    return lines


def _edge_body(edge: NDArray[np.void], board: Board) -> str:
    kind, gate = "EL"[int(edge["late"])], "AB"[int(edge["gate"])]
    return f"{kind} {gate} {edge['level']} {int(edge['ticks']) % 2**board.bits:08X}"


def _beats(
    edges: NDArray[np.void], board: Board, ticks: NDArray[np.int64]
) -> list[tuple[int, str, None]]:
    """Beats with the levels that each gate's last edge before them left."""
    shown = []
    for gate in (0, 1):
        of = edges[edges["gate"] == gate]
        order = np.argsort(of["ticks"], kind="stable")
        levels = np.concatenate([[0], of["level"][order]])
        shown.append(levels[np.searchsorted(of["ticks"][order], ticks, side="right")])
    return [
        (int(t), f"T {int(t) % 2**board.bits:08X} {a}{b} 0000", None)
        for t, a, b in zip(ticks, *shown, strict=True)
    ]


def plain_lines(
    edges: NDArray[np.void], board: Board, *, with_level: bool = False
) -> list[Timed]:
    """`A 123456`, leading edges only, or `A 1 123456` with every edge; the counter in μs."""
    told = edges if with_level else edges[edges["level"] == 1]
    lines = []
    for edge in told:
        level = f" {edge['level']}" if with_level else ""
        counter = int(edge["ticks"]) % 2**board.bits
        line = f"{'AB'[int(edge['gate'])]}{level} {counter}"
        lines.append((edge["ticks"] / board.frequency_hz, line))
    return lines


def interval_lines(edges: NDArray[np.void], board: Board, *, level: int = 1) -> list[Timed]:
    """One transit in μs a shot, from each gate's first edge to `level`, told after B's."""
    lines = []
    first: dict[tuple[int, int], int] = {}
    for edge in edges[edges["level"] == level]:
        key = int(edge["shot"]), int(edge["gate"])
        if key in first:
            continue
        first[key] = int(edge["ticks"])
        if key[1] == 1 and (key[0], 0) in first:
            transit = first[key] - first[key[0], 0]
            lines.append((first[key] / board.frequency_hz, str(transit)))
    return lines


def recording_rows(
    rig: str | dict[str, Any],
    lines: Iterable[Timed],
    *,
    file: str | dict[str, Any] = FILE,
    rate_error: float = 0.0,
) -> list[str]:
    """Rows of a whole recording without their newlines: header, file, rig, board's lines.

    Parameters
    ----------
    rig, file : JSON text, or what becomes it
    lines : seconds by the board's counter and line, in order
    rate_error : the board's counter is fast by this part; the host's clock is true
    """
    rows = [HEADER, f"0\tfile\t{_text(file)}", f"0\trig\t{_text(rig)}"]
    host_us = 0
    for second, line in lines:
        host_us = max(host_us + 1, round(1e6 * (second / (1 + rate_error) + TRAVEL_S)))
        rows.append(f"{host_us}\tboard\t{line}")
    return rows


def recording_bytes(rows: list[str]) -> bytes:
    """The recording's file."""
    return ("\n".join(rows) + "\n").encode("utf-8")


def _text(record: str | dict[str, Any]) -> str:
    return record.strip() if isinstance(record, str) else json.dumps(record)
