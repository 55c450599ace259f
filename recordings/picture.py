"""Make the picture of the dashboard again: ``python recordings/picture.py``.

The program draws it itself, showing a demo session; nothing in it points outside.
"""

import asyncio
import re
import sys
from pathlib import Path

from chrono.dashboard.dashboard_app import Dashboard
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run

FOLDER = Path(__file__).parent
RECORDING = FOLDER / "two-and-three-bands.tsv"
PICTURE = FOLDER / "dashboard.svg"
SIZE = (110, 36)
PLOT = "speed&#160;in&#160;m"
LOOKS = 100


async def draw() -> str:
    """
    Return the Shots screen at the end of the session as SVG.

    Raises
    ------
    TimeoutError
        If the plot does not appear.
    """
    run = replay_run(RECORDING, read_recording(RECORDING).session, None)
    app = Dashboard(run)
    async with app.run_test(size=SIZE) as pilot:
        drawn = ""
        for _ in range(LOOKS):  # the plot follows the table, late on a busy machine
            await pilot.pause(0.5)
            before, drawn = drawn, app.export_screenshot(title="chrono replay")
            if drawn == before and PLOT in drawn:
                return self_contained(drawn)
    raise TimeoutError(f"the picture has no plot with the words {PLOT!r}")


def self_contained(svg: str) -> str:
    """Use the fonts of whoever looks at it instead of fetching one."""
    svg = re.sub(r"@font-face\s*{[^}]*}\s*", "", svg)
    return svg.replace("Fira Code", "DejaVu Sans Mono")


def main() -> None:
    """Write the picture."""
    svg = asyncio.run(draw())
    PICTURE.write_text(svg, "utf-8")
    print(f"{PICTURE.name}: {PICTURE.stat().st_size} bytes", file=sys.stderr)


if __name__ == "__main__":
    main()
