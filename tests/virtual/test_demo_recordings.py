"""The demo sessions: made anew to the byte, and as their README tells."""

import importlib.util
import re
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from statistics import mean, stdev
from types import ModuleType

import numpy as np
import pytest
from virtual_kit import noise_free

from chrono.arrays.events import Batch, EventKind
from chrono.reader.recording_reader import read_blocks
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED, PLAIN
from chrono.virtual.scenarios import SCENARIOS, Play, parse_play
from chrono.virtual.virtual_board import launches, simulate_recording, true_rig

FOLDER = Path(__file__).parents[2] / "recordings"
NAMES = (
    "two-and-three-bands.tsv",
    "noisy-hall.tsv",
    "plain-lines-4us.tsv",
    "same-shots-fine.tsv",
)


@pytest.fixture(scope="module")
def remake() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("remake", FOLDER / "remake.py")
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules["remake"] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    yield module
    del sys.modules["remake"]


def decoded(name: str) -> Batch:
    (block,) = read_blocks(FOLDER / name)
    return decode_rows(block, PLAIN if name.startswith("plain") else FRAMED)


def truth_table() -> list[list[str]]:
    rows = [x.strip("| ").split(" | ") for x in (FOLDER / "README.md").read_text().splitlines()]
    return [row for row in rows if len(row) == 9 and row[0].endswith(".tsv")]


def test_making_them_again_gives_the_same_bytes(remake: ModuleType) -> None:
    assert [demo.name for demo in remake.DEMOS] == list(NAMES)
    for demo in remake.DEMOS:
        assert remake.content(demo) == (FOLDER / demo.name).read_bytes(), (
            f"{demo.name} is not what recordings/remake.py makes: run it again"
        )


@pytest.mark.parametrize("name", NAMES)
def test_they_are_small_and_hold_no_damaged_row(name: str) -> None:
    assert (FOLDER / name).stat().st_size < 300_000
    batch = decoded(name)
    assert batch.damaged == 0
    assert [c.origin for c in batch.controls][:3] == ["file", "rig", "link"]
    assert (np.diff(batch.events.host_us) >= 0).all()


def test_the_readme_tells_the_truth_of_every_setup(remake: ModuleType) -> None:
    urls = {demo.name: demo.url for demo in remake.DEMOS}
    table = truth_table()
    assert {row[0] for row in table} == set(NAMES)
    for name, url, setup, shots, mean_mps, s_mps, wads, spacing_mm, rate_ppm in table:
        assert url.strip("`") == urls[name]
        play = parse_play(urls[name])
        of_setup = [
            x
            for x in launches(play.scenario, play.seed, shots=play.shots)
            if x.setup.name == setup
        ]
        speeds = [x.speed_mps for x in of_setup]
        rig = true_rig(play.scenario, play.seed)
        assert int(shots) == len(speeds)
        assert float(mean_mps) == pytest.approx(mean(speeds), abs=0.0006)
        assert float(s_mps) == pytest.approx(stdev(speeds), abs=0.0006)
        assert int(wads) == sum(len(x.flights) - 1 for x in of_setup)
        span_mm = 1e3 * (rig.positions_m[1] - rig.positions_m[0])
        assert float(spacing_mm) == pytest.approx(span_mm, abs=0.0006)
        assert float(rate_ppm) == pytest.approx(1e6 * rig.rate_error, abs=0.06)


def test_the_clean_session_gives_the_true_speeds_within_what_its_rig_allows() -> None:
    play = parse_play("virtual://class-afternoon?seed=5&shots=40")
    events = decoded("two-and-three-bands.tsv").events
    edges = events.counter[events.kind == EventKind.EDGE].reshape(40, 4)
    ticks = (edges[:, 2] - edges[:, 0]) % 2**32 + (edges[:, 3] - edges[:, 1]) % 2**32
    speeds = 0.3 / (ticks / 2 / 16e6)
    truth = np.array([x.speed_mps for x in launches(play.scenario, play.seed, shots=40)])
    # half-widths added up: spacing and trips 0.9 mm of 300, tilt 1 deg, latency and jitter
    # 1 us of 11 ms, rate 50 ppm
    limit = 0.9 / 300 + np.radians(1) ** 2 / 2 + 1e-4 + 50e-6
    assert np.abs(speeds / truth - 1).max() < limit
    # the rig's errors are shared by all shots; what is left is jitter and the counter's step
    assert np.std(speeds / truth - 1) < 3e-5


def test_the_noisy_session_has_flicker_chatter_and_wads() -> None:
    events = decoded("noisy-hall.tsv").events
    edges = events.kind <= EventKind.LATE
    at_a = events.counter[edges & (events.gate == 0) & (events.level == 1)]
    apart_s = np.diff(at_a) % 2**32 / 16e6
    assert (np.abs(apart_s - 0.01) < 1e-4).sum() > 500
    assert (apart_s < 100e-6).sum() > 10
    at_b = events.counter[edges & (events.gate == 1) & (events.level == 1)]
    apart_s = np.diff(at_b) % 2**32 / 16e6
    assert ((apart_s > 3e-3) & (apart_s < 0.1)).sum() >= 30


def test_the_plain_session_is_coarse() -> None:
    events = decoded("plain-lines-4us.tsv").events
    assert len(events) == 120
    assert set(events.counter % 4) == {0}
    transits_us = events.counter[1::2] - events.counter[::2]
    assert transits_us == pytest.approx([100_000 / 22] * 60, rel=0.08)


def test_the_host_reads_lines_in_order_and_never_before_they_left_the_board() -> None:
    play = Play(noise_free(SCENARIOS["two-bands"]), seed=1, shots=100)
    rows = simulate_recording(play, rig={}, file={}).splitlines()
    board = [row.split(b"\t") for row in rows if b"\tboard\t" in row]
    hosts_us = [int(host) for host, _, _ in board]
    assert all(a <= b for a, b in pairwise(hosts_us))
    beats = np.array([int(host) for host, _, line in board if line.startswith(b"T ")])
    late_us = beats - 150_000 - 1_000_000 * np.arange(1, len(beats) + 1)
    on_the_line_us = 10 * len(b"T 00A2 00F42400 00 0000 ABCD\n") / 0.25
    # host delays: at least 0.3 ms, 1 ms more on average, exponential; 2 % wait for an edge
    assert late_us.min() >= on_the_line_us + 299
    assert late_us.mean() == pytest.approx(on_the_line_us + 1300, rel=0.15)


def test_a_play_without_end_makes_no_recording() -> None:
    with pytest.raises(ValueError, match="never ends"):
        simulate_recording(Play(SCENARIOS["two-bands"]), rig={}, file={})


@pytest.mark.long
async def test_the_picture_of_the_dashboard_is_current() -> None:
    """If this fails: python recordings/picture.py"""
    spec = importlib.util.spec_from_file_location("picture", FOLDER / "picture.py")
    assert spec is not None
    assert spec.loader is not None
    picture = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(picture)
    drawn, kept = await picture.draw(), picture.PICTURE.read_text("utf-8")
    assert words_of(drawn) == words_of(kept)
    assert "two bands" in words_of(kept)
    assert not re.search(r"href=|url\(.?http|@import", kept), "it fetches nothing"


def words_of(svg: str) -> str:
    """All text of a drawing; lines and colours may differ with the library that draws."""
    return " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", svg)).replace("&#160;", " ")
