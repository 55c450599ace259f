"""What the program makes of lines that were built from physics alone, beside the truth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from gate_board import BETWEEN_SHOTS_S, FIRST_SHOT_S, Board
from gate_comparator import trip_times
from gate_lines import Timed, recording_bytes, recording_rows
from gate_physics import Array, Flight
from numpy.typing import NDArray

from chrono.measuring.speed import Measured
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_file import rig_record
from chrono.rigs.rig_model import Rig
from chrono.session.recording_loader import read_recording
from chrono.session.session import Session


def session_of(rig: Rig, lines: Iterable[Timed], folder: Path) -> Session:
    """Read a board's lines as a recording of this rig."""
    path = folder / "lines.tsv"
    path.write_bytes(recording_bytes(recording_rows(rig_record(rig), list(lines))))
    return read_recording(path).session


@dataclass(frozen=True)
class Reading:
    """Shots as measured, with the place of each in the flight and the true speed."""

    shots: NDArray[np.void]
    measured: Measured
    place: NDArray[np.intp]
    flight: Flight
    u_timing_s: dict[int, float]

    @property
    def has_speed(self) -> NDArray[np.bool_]:
        return np.isfinite(self.measured.speed_mps)

    @property
    def error_mps(self) -> Array:
        """Error of each speed that was measured."""
        return (self.measured.speed_mps - self.flight.speed_mps[self.place])[self.has_speed]

    @property
    def is_held(self) -> NDArray[np.bool_]:
        """Which speeds that were measured have the true one in their interval."""
        return np.abs(self.error_mps) <= self.measured.U95_mps[self.has_speed]

    @property
    def timing_is_held(self) -> NDArray[np.bool_]:
        """The same of transits of two pairs, by what is stated of timing alone."""
        chosen = self.shots["used"] == EdgesUsed.BOTH
        place, found = self.place[chosen], self.measured
        times = trip_times(self.flight)[place]
        true_s = (times[:, 1] - times[:, 0]).mean(axis=1)
        true_s = true_s * (1 + self.flight.rigs.rate_error[place])
        u_s = np.hypot(self.u_timing_s[EdgesUsed.BOTH], found.bounce_s[chosen])
        return np.abs(found.transit_s[chosen] - true_s) <= 1.96 * u_s


def read_flight(
    rig: Rig, flight: Flight, lines: Iterable[Timed], board: Board, folder: Path, **told: Any
) -> Reading:
    """Read the lines of a flight whose shots follow each other as `edges_of` lets them."""
    session = session_of(rig, lines, folder)
    shots = session.log.shots
    first_s = told.get("first_s", FIRST_SHOT_S)
    every_s = told.get("every_s", BETWEEN_SHOTS_S)
    since_s = shots["key"] / board.frequency_hz - first_s
    place = np.rint(since_s / every_s).astype(np.intp)
    return Reading(shots, session.measured(), place, flight, session.model.u_timing_s)
