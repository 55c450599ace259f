"""Recordings of a board that prints one transit a line, built without the code under test."""

import json
from collections.abc import Iterable
from pathlib import Path

RIG = {
    "name": "test gates",
    "speed_unit": "m/s",
    "lines": "interval",
    "gates": {"spacing_m": 0.3, "spacing_tolerance_m": 0.0005, "trip_tolerance_m": 0.0002},
    "clock": {"step_s": 4e-6, "rate_tolerance": 50e-6},
}
"""A rig's record; what it leaves out has its default."""


def record(origin: str, content: dict[str, object]) -> tuple[str, str]:
    """Return a record of the operator or the program as a row's origin and line."""
    return origin, json.dumps(content)


def setup(name: str, **conditions: str) -> tuple[str, str]:
    """Return the record of a setup."""
    return record("setup", {"name": name, "body": {}, "conditions": conditions})


def shot(speed_mps: float, spacing_m: float = 0.3) -> tuple[str, str]:
    """Return the line of a shot at a speed, its transit in whole microseconds."""
    return "board", str(round(spacing_m / speed_mps * 1e6))


def write_recording(
    path: Path, rows: Iterable[tuple[str, str]], rig: dict[str, object] | None = None
) -> Path:
    """Write a recording with a shot a second, from pairs of origin and line."""
    head = {"format": 1, "program": "test", "start": "2025-05-16T14:00:00+02:00"}
    all_rows = [record("file", head), record("rig", RIG if rig is None else rig), *rows]
    lines = [
        f"{i * 1_000_000}\t{origin}\t{line}\n" for i, (origin, line) in enumerate(all_rows)
    ]
    path.write_text("host_us\torigin\tline\n" + "".join(lines), "utf-8", newline="\n")
    return path
