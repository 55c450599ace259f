"""Make the demo sessions of this folder again: ``python recordings/remake.py``.

They come from the virtual board and hold what it says; the same bytes each time.
"""

import sys
from dataclasses import dataclass
from pathlib import Path

from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.virtual.scenarios import parse_play, rig_text
from chrono.virtual.virtual_board import simulate_recording

FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Demo:
    """One demo session: its file, the play it comes from, its made-up start."""

    name: str
    url: str
    start: str


DEMOS = (
    Demo(
        "two-and-three-bands.tsv",
        "virtual://class-afternoon?seed=5&shots=40",
        "2025-05-16T14:00:00.000+02:00",
    ),
    Demo(
        "noisy-hall.tsv",
        "virtual://noisy-hall?seed=11&shots=40",
        "2025-05-17T10:30:00.000+02:00",
    ),
    Demo(
        "plain-lines-4us.tsv",
        "virtual://plain-board?seed=3&shots=60",
        "2025-05-20T09:15:00.000+02:00",
    ),
    Demo(
        "same-shots-fine.tsv",
        "virtual://fine-board?seed=3&shots=60",
        "2025-05-20T09:15:00.000+02:00",
    ),
)


def content(demo: Demo) -> bytes:
    """Return the whole file of a demo session."""
    play = parse_play(demo.url)
    rig = parse_rig(rig_text(play.scenario))
    file = {"format": 1, "program": "virtual board", "start": demo.start}
    return simulate_recording(play, rig=rig_record(rig), file=file)


def main() -> None:
    """Write all demo sessions."""
    for demo in DEMOS:
        data = content(demo)
        (FOLDER / demo.name).write_bytes(data)
        print(f"{demo.name}: {len(data)} bytes", file=sys.stderr)


if __name__ == "__main__":
    main()
