"""A play of the virtual board as a whole recording, without waiting for it.

The rows are made by the same functions as live ones; only the host's delays are drawn.
"""

import heapq
from collections.abc import Iterator
from itertools import takewhile
from random import Random
from typing import Any

from chrono.reader.recording_rows import HEADER, board_row, json_row
from chrono.virtual.scenarios import Play
from chrono.virtual.virtual_board import board_lines, launches, operator_rows

OPENED_S = 0.15
"""Host time at which the port is open and the board starts [s]."""

LINGER_S = 3.0
"""Time recorded after the last launch [s]."""

LEAST_DELAY_S = 0.3e-3
MEAN_DELAY_S = 1.0e-3
"""A line is read no sooner than the first after its last byte, later by the second on
average: a serial adapter and a busy host, plausible numbers."""


def simulate_recording(play: Play, *, rig: dict[str, Any], file: dict[str, Any]) -> bytes:
    """
    Return the recording that a session with the virtual board would leave.

    Parameters
    ----------
    play : Play
        With a number of shots.
    rig, file : dict
        JSON objects of the rows `rig` and `file`.

    Returns
    -------
    bytes
        The whole file; the same for the same play.

    Raises
    ------
    ValueError
        If the play has no end.
    """
    if play.shots is None:
        raise ValueError("a play without end makes no recording")
    opened = {"event": "opened", "port": play.url, "reason": ""}
    head = [json_row(0, "file", file), json_row(0, "rig", rig)]
    link = json_row(_us(OPENED_S), "link", opened)
    body = heapq.merge(_operator_rows(play), _board_rows(play), key=lambda item: item[0])
    return b"".join([HEADER, *head, link, *(row for _, row in body)])


def _operator_rows(play: Play) -> Iterator[tuple[int, bytes]]:
    for time_s, origin, data in operator_rows(play):
        host_us = _us(OPENED_S + time_s)
        yield host_us, json_row(host_us, origin, data)


def _board_rows(play: Play) -> Iterator[tuple[int, bytes]]:
    options: dict[str, Any] = {"shots": play.shots, "speedup": play.speedup}
    rng = Random(f"{play.scenario.name} {play.seed} host")
    last_s = max(
        (f.midway_s for x in launches(play.scenario, play.seed, **options) for f in x.flights),
        default=0.0,
    )
    lines = board_lines(play.scenario, play.seed, **options)
    read_us = 0
    for time_s, line in takewhile(lambda item: item[0] < last_s + LINGER_S, lines):
        delay_s = LEAST_DELAY_S + rng.expovariate(1.0 / MEAN_DELAY_S)
        read_us = max(read_us, _us(OPENED_S + time_s + delay_s))
        yield read_us, board_row(read_us, line.removesuffix(b"\n"))


def _us(time_s: float) -> int:
    return round(time_s * 1e6)
