"""Long dense streams with every trouble at once give the same shots in any pieces.

What the drawn streams of `test_cut` are too short for: passages of both gates crowded on every
scale of time, a host that reads late by milliseconds, lines swapped, lost, damaged, doubled.
"""

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pytest
from line_kit import LENGTH_M, RULES, A, B, Line, block, body, cut, events, feed

from chrono.arrays.events import NO_SEQUENCE, EventKind, Events, Record
from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import Shots
from chrono.rigs.line_kinds import PLAIN

Rng = np.random.Generator


def happening(rng: Rng, at_s: float) -> list[Line]:
    """Return a body, an incomplete or chattering one, a flash, a lamp, or a stray edge."""
    dice = rng.random()
    if dice < 0.55:
        speed = rng.uniform(1, 120) * (-1 if rng.random() < 0.15 else 1)
        lines = body(at_s, speed, float(rng.choice([LENGTH_M, LENGTH_M, 0.015, 0.1])))
        if rng.random() < 0.3:
            edge, step = lines[rng.integers(4)], rng.uniform(0, 0.15e-3)
            lines.append(replace(edge, at_s=edge.at_s + step, level=1 - edge.level))
            lines.append(replace(edge, at_s=edge.at_s + 2 * step))
        return [line for line in lines if rng.random() > 0.06]
    if dice < 0.65:
        length, later = rng.uniform(1e-5, 3e-3), rng.uniform(0, 1e-4)
        return [*block(A, at_s, length), *block(B, at_s + later, length)]
    if dice < 0.68:
        series, period = range(int(rng.integers(3, 12))), float(rng.choice([0.012, 0.03, 0.1]))
        return [x for i in series for x in body(at_s + i * period, 25.0)]
    if dice < 0.75:
        gate, period = int(rng.integers(2)), rng.choice([0.01, 1 / 120, 0.004])
        trips = range(int(rng.integers(3, 30)))
        return [x for i in trips for x in block(gate, at_s + i * period, 0.3 * period)]
    return [Line(at_s, gate=int(rng.integers(2)), level=int(rng.integers(2)))]


def dense(rng: Rng) -> Events:
    """Return a stream without harm on the wire."""
    scale_s, at_s, lines = rng.choice([2e-3, 2e-2, 0.2, 1.0]), 0.1, []
    for _ in range(rng.integers(8, 28)):
        lines += happening(rng, at_s)
        at_s += rng.exponential(scale_s) + (rng.random() < 0.05) * rng.exponential(1.5)
    lost = np.cumsum(rng.random(int(at_s) + 2) < 0.1)
    lines += [Line(float(s), EventKind.BEAT, level=0, lost=int(n)) for s, n in enumerate(lost)]
    late = rng.random(len(lines)) < 0.05
    lines = [
        replace(line, kind=EventKind.LATE) if is_late and line.kind == EventKind.EDGE else line
        for line, is_late in zip(lines, late, strict=True)
        if line.at_s > 0 or line.kind == EventKind.BEAT
    ]
    return events(lines, start=int(rng.integers(2**32)), sequence=int(rng.integers(65536)))


def harmed(rng: Rng, these: Events) -> Events:
    """Read lines late, swap near ones, damage, lose and double some, let the counter jump."""
    n = len(these)
    host_us = np.maximum.accumulate(these.host_us + rng.integers(0, 20_000, n))
    order = np.arange(n)
    near = np.flatnonzero(np.diff(these.counter) < 80)
    for place in near[rng.random(len(near)) < 0.3]:
        order[[place, place + 1]] = order[[place + 1, place]]
    counter = these.counter[order].copy()
    for place in np.flatnonzero(rng.random(n) < 2 / n):
        counter[place:] += int(rng.integers(2**32))
    kind, sequence = these.kind[order], these.sequence.copy()
    damaged = rng.random(n) < 0.01
    kind[damaged], sequence[damaged] = EventKind.DAMAGED, NO_SEQUENCE
    times = np.where(rng.random(n) < 0.02, 0, 1 + (rng.random(n) < 0.005))
    changed = Events(
        host_us,
        kind,
        these.gate[order],
        these.level[order],
        counter % 2**32,
        sequence,
        these.lost[order],
    )
    return Events(
        *(np.repeat(getattr(changed, name), times) for name in Events.__dataclass_fields__)
    )


def records(rng: Rng, these: Events) -> list[Record]:
    """Return records between the lines, each read when the line after it was."""
    places = np.flatnonzero(rng.random(len(these)) < 0.008)
    kinds = [
        ("link", {"event": "lost"}),
        ("hello", {"frequency_hz": 16_000_000, "counter_bits": 32}),
        ("hello", {"frequency_hz": 8_000_000, "counter_bits": 32}),
        ("setup", {"body_length_m": 0.02}),
    ]
    return [
        Record(int(place), int(these.host_us[place]), *kinds[rng.integers(len(kinds))])
        for place in places
    ]


def run(
    these: Events, controls: list[Record], places: Iterable[int], rules: Rules, quiet: bool
) -> tuple[Shots, Processor]:
    processor, found = Processor(rules), []
    pieces = cut(these, controls, places)
    for (piece, notes), (after, _) in zip(pieces, [*pieces[1:], pieces[0]], strict=True):
        found.append(feed(processor, piece, notes))
        if quiet and len(after) and after is not pieces[0][0]:
            found.append(processor.pass_time(int(after.host_us[0])))
            processor.peek()
    return np.concatenate([*found, processor.finish()]), processor


@pytest.mark.parametrize(
    "seed",
    [*range(8), *(pytest.param(seed, marks=pytest.mark.long) for seed in range(8, 40))],
)
def test_shots_of_a_dense_stream_do_not_depend_on_its_cut(seed: int) -> None:
    rng = np.random.default_rng(seed)
    these = harmed(rng, dense(rng))
    launch_s = (0.25, 0.03)[seed % 3 == 2]
    rules = replace(RULES, body_length_m=(LENGTH_M, None)[seed % 2], launch_s=launch_s)
    if seed % 4 == 3:
        these = replace(these, sequence=np.full(len(these), NO_SEQUENCE, np.int32))
        rules = replace(rules, lines=PLAIN)
    controls = records(rng, these)
    whole, once = run(these, controls, [], rules, False)
    some = np.sort(rng.integers(0, len(these), 6)).tolist()
    for places, quiet in ((range(1, len(these)), True), (some, False)):
        pieces, processor = run(these, controls, places, rules, quiet)
        assert pieces.tobytes() == whole.tobytes()
        assert processor.tally == once.tally
        assert processor.flicker == once.flicker
    assert len(whole)
    assert (np.diff(whole["key"]) > 0).all()
