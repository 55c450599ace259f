"""A recording of gates that bounce so long that no pair of edges tells a time."""

from dataclasses import replace
from pathlib import Path

from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.virtual.scenarios import SCENARIOS, Play, rig_text
from chrono.virtual.virtual_board import simulate_recording


def unsound_recording(path: Path, shots: int = 20) -> Path:
    """Record gates 15 mm apart, 0.7 ms at 22 m/s, of which every edge bounces up to 40 us."""
    fine = SCENARIOS["two-bands"]
    gates = replace(fine.gates, spacing_m=15e-3)
    close = replace(fine, gates=gates, bounce_probability=1.0)
    rig = rig_record(parse_rig(rig_text(close)))
    play = Play(close, seed=1, shots=shots)
    path.write_bytes(simulate_recording(play, rig=rig, file={"format": 1, "start": ""}))
    return path
