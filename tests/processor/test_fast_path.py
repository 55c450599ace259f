"""The short way of solitary launches gives what the whole way gives, and is really taken."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from line_kit import LENGTH_M, RULES, Line, body, cut, events, feed
from test_cut_dense import happening, harmed, records

from chrono.arrays import machine_code
from chrono.arrays.events import EventKind, Events, Record
from chrono.processor import fast_path, pipeline
from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import Shots
from chrono.processor.shots import NO_SHOTS


@pytest.fixture(autouse=True)
def _few_are_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipeline, "MANY_EDGES", 64)
    machine_code.load_numba()


def the_whole_way(edges, *_others):
    return NO_SHOTS, edges


def the_short_way(taken: list[int]):
    """Return the real function, noting how many shots it made."""
    real = fast_path.take_isolated

    def take(edges, *others):
        shots, rest = real(edges, *others)
        taken.append(len(shots))
        return shots, rest

    return take


def shots_of(
    these: Events, controls: list[Record], rules: Rules, places: Sequence[int] = ()
) -> Shots:
    processor, found = Processor(rules), []
    for piece, records_within in cut(these, controls, places):
        processor.peek()
        found.append(feed(processor, piece, records_within))
    return np.concatenate([*found, processor.finish()])


def firing(rng: np.random.Generator, trouble: float) -> Events:
    """Return launches some tenths of a second to seconds apart, some with trouble near."""
    at_s, lines = 0.5, list[Line]()
    for _ in range(300):
        length_m = LENGTH_M * float(rng.choice([1.0, 1.0, 1.0, 0.5, 2.0, 9.0]))
        lines += body(at_s, float(rng.choice([3.0, 20.0, 60.0, 190.0])), length_m)
        if rng.random() < trouble:
            lines += happening(rng, at_s + float(rng.normal(0, 0.6)))
        at_s += float(rng.choice([0.28, 0.45, 1.2, 4.0])) * float(rng.uniform(1, 1.3))
    lost = np.cumsum(rng.random(int(at_s) + 2) < trouble / 5)
    lines += [Line(float(s), EventKind.BEAT, level=0, lost=int(n)) for s, n in enumerate(lost)]
    late = rng.random(len(lines)) < trouble / 10
    lines = [
        replace(line, kind=EventKind.LATE) if is_late and line.kind == EventKind.EDGE else line
        for line, is_late in zip(lines, late, strict=True)
        if line.at_s > 0 or line.kind == EventKind.BEAT
    ]
    return events(lines, start=int(rng.integers(2**32)))


@pytest.mark.parametrize("seed", range(24))
def test_both_ways_give_the_same_shots(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    these = firing(rng, trouble=(0.0, 0.05, 0.3)[seed % 3])
    if seed % 2:
        these = harmed(rng, these)
    controls = records(rng, these) if seed % 4 > 1 else []
    slowest_mps = (2.0, 0.5)[seed % 5 == 4]
    rules = replace(
        RULES,
        body_length_m=(LENGTH_M, None)[seed % 7 == 6],
        slowest_mps=slowest_mps,
        launch_s=(0.25, 0.03)[seed % 3 == 2],
    )

    taken: list[int] = []
    monkeypatch.setattr(fast_path, "take_isolated", the_short_way(taken))
    short = shots_of(these, controls, rules)
    in_pieces = shots_of(these, controls, rules, sorted(rng.integers(0, len(these), 3)))
    monkeypatch.setattr(fast_path, "take_isolated", the_whole_way)
    whole = shots_of(these, controls, rules)

    assert short.tobytes() == whole.tobytes()
    assert in_pieces.tobytes() == whole.tobytes()
    assert sum(taken) > 0 or slowest_mps < 1


def test_launches_with_nothing_near_go_the_short_way(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [line for i in range(100) for line in body(1.0 + i, 20.0)]
    taken: list[int] = []
    monkeypatch.setattr(fast_path, "take_isolated", the_short_way(taken))

    shots = shots_of(events(lines), [], RULES)

    assert len(shots) == 100
    assert 80 <= sum(taken) < 100, "all but the first, and the last seconds"


def test_lines_that_come_in_the_wrong_order_do_not_go_the_short_way(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In every other launch both trailing edges are stamped 40 us before the leading ones."""
    lines = [line for i in range(200) for line in body(1.0 + 3 * i, 60.0)]
    these = events(lines)
    counter = these.counter.reshape(-1, 4).copy()
    counter[::2, (1, 3)] = counter[::2, (0, 2)] - 640
    these = replace(these, counter=counter.reshape(-1))
    taken: list[int] = []
    monkeypatch.setattr(fast_path, "take_isolated", the_short_way(taken))
    short = shots_of(these, [], RULES)
    monkeypatch.setattr(fast_path, "take_isolated", the_whole_way)

    assert short.tobytes() == shots_of(these, [], RULES).tobytes()
    assert 80 < sum(taken) <= 100
