"""
How long does the dashboard take to refresh, when half a million shots are there?

Run with ``python tests/benchmarks/bench_looks.py [--shots 500000]``. A recording of so many
shots is made, read whole and shown headless at 120 by 40. Three kinds of refreshes are timed:
one after nothing has happened, one after a shot was marked, and one after a shot has come.
"""

import argparse
import asyncio
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np
from make_recording import make_recording

from chrono.dashboard.dashboard_app import Dashboard
from chrono.session.operator_records import SET_ASIDE, Mark
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run

LIMIT_MS = 30.0
ROUNDS = 15


def refresh_ms(app: Dashboard) -> tuple[float, float]:
    """Return how long a refresh of everything takes, and of it the processor's time [ms]."""
    begin, begin_own = time.perf_counter(), time.process_time()
    app.refresh_all()
    app.screen_stack[0].table.render_lines(app.screen_stack[0].table.size.region)  # type: ignore
    return (time.perf_counter() - begin) * 1e3, (time.process_time() - begin_own) * 1e3


async def measure(recording: Path) -> dict[str, list[tuple[float, float]]]:
    """Return the times of each kind."""
    session = read_recording(recording).session
    run = replay_run(recording, session, None)
    run.edits.agree()
    app, times = Dashboard(run), {"nothing new": [], "a mark": [], "a shot": []}
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause(1.0)
        for number in range(ROUNDS):
            times["nothing new"].append(refresh_ms(app))
            run.say_mark(Mark(SET_ASIDE, int(session.log.shots["key"][1000 * number])))
            times["a mark"].append(refresh_ms(app))
            more = session.log.shots[-1:].copy()
            more["key"] += 10_000_000
            session.log.add(more, np.zeros(1, np.int32), 0.0, 1)
            session.revision += 1
            times["a shot"].append(refresh_ms(app))
            await pilot.pause(0.05)
    return times


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shots", type=int, default=500_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        recording = Path(folder) / "many.tsv"
        make_recording(recording, 4 * options.shots)
        times = asyncio.run(measure(recording))
    for name, taken in times.items():
        whole, own = zip(*taken, strict=True)
        print(
            f"refresh after {name:<12} median {median(whole):5.1f} ms, longest "
            f"{max(whole):5.1f} ms; of the processor's time {median(own):5.1f} ms "
            f"(wanted: {LIMIT_MS:g} ms)"
        )


if __name__ == "__main__":
    main()
