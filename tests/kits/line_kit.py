"""Board lines for tests of the processor, built without any of its code."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chrono.arrays.events import NO_SEQUENCE, EventKind, Events, Record
from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import Shots

UNIT_S = 1 / 16e6
SPACING_M = 0.3
LENGTH_M = 0.04
RULES = Rules(
    unit_s=UNIT_S,
    counter_bits=32,
    spacing_m=SPACING_M,
    slowest_mps=2.0,
    fastest_mps=200.0,
    quiet_s=0.2e-3,
    body_length_m=LENGTH_M,
)
A, B = 0, 1


@dataclass(frozen=True)
class Line:
    """One line of the board, at a true time."""

    at_s: float
    kind: int = EventKind.EDGE
    gate: int = A
    level: int = 1
    lost: int = 0


def block(gate: int, start_s: float, length_s: float) -> list[Line]:
    """Return the two edges of something that blocks a gate."""
    return [Line(start_s, gate=gate, level=1), Line(start_s + length_s, gate=gate, level=0)]


def body(at_s: float, speed_mps: float, length_m: float = LENGTH_M) -> list[Line]:
    """Return the edges of a body whose nose is at gate A at `at_s`; A1, A0, B1, B0."""
    blocked_s, transit_s = length_m / abs(speed_mps), SPACING_M / speed_mps
    return block(A, at_s, blocked_s) + block(B, at_s + transit_s, blocked_s)


def beats(seconds: int, lost: Sequence[int] = ()) -> list[Line]:
    """Return a beat each second, with the board's count of lost edges in each."""
    counts = [*lost, *([lost[-1] if lost else 0] * (seconds + 1))]
    return [Line(float(s), EventKind.BEAT, level=0, lost=counts[s]) for s in range(seconds + 1)]


def events(
    lines: Iterable[Line],
    *,
    start: int = 0,
    missing: Iterable[int] = (),
    bits: int = 32,
    sequence: int = 0,
    plain: bool = False,
    delay_us: int = 3000,
) -> Events:
    """
    Send lines in order of time.

    `missing` are the places of the lines that get lost on the wire.
    """
    sent = sorted(lines, key=lambda line: line.at_s)
    ticks = np.floor(np.array([line.at_s for line in sent]) / UNIT_S).astype(np.int64)
    numbers = (np.arange(len(sent)) + sequence) % 65536
    columns = Events(
        host_us=np.array([round(line.at_s * 1e6) + delay_us for line in sent], np.int64),
        kind=np.array([line.kind for line in sent], np.uint8),
        gate=np.array([line.gate for line in sent], np.uint8),
        level=np.array([line.level for line in sent], np.uint8),
        counter=(ticks + start) % (1 << bits),
        sequence=np.where(plain, NO_SEQUENCE, numbers).astype(np.int32),
        lost=np.array([line.lost for line in sent], np.int32),
    )
    return without(columns, missing)


def without(these: Events, places: Iterable[int]) -> Events:
    """Return events without those at `places`."""
    kept = np.delete(np.arange(len(these)), list(places))
    return Events(*(getattr(these, name)[kept] for name in Events.__dataclass_fields__))


def part(these: Events, begin: int, end: int) -> Events:
    """Return the events from `begin` to `end`."""
    return Events(*(getattr(these, name)[begin:end] for name in Events.__dataclass_fields__))


def joined(*parts: Events) -> Events:
    """Return events one stretch after the other."""
    return Events(
        *(
            np.concatenate([getattr(p, name) for p in parts])
            for name in Events.__dataclass_fields__
        )
    )


def shots_of(these: Events, controls: Sequence[Record] = (), rules: Rules = RULES) -> Shots:
    """Return all shots of a stream."""
    processor = Processor(rules)
    return np.concatenate([feed(processor, these, controls), processor.finish()])


def feed(processor: Processor, these: Events, records: Sequence[Record] = ()) -> Shots:
    """Feed a stretch with records between its events: new counters and bodies among them."""
    found, begin, between = [], 0, list[Record]()
    for record in records:
        if not _is_new_counter(processor, record):
            between.append(replace(record, position=record.position - begin))
            continue
        found.append(_formed(processor, part(these, begin, record.position), between))
        begin, between = record.position, []
        hertz, bits = record.data["frequency_hz"], record.data["counter_bits"]
        found.append(processor.change_counter(hertz, bits, record.host_us))
    return np.concatenate([*found, _formed(processor, part(these, begin, len(these)), between)])


def _formed(processor: Processor, these: Events, between: Sequence[Record]) -> Shots:
    """Place a stretch of one counter, tell of the bodies in it, and form its shots."""
    anchors = processor.place(these, between)
    for record, anchor in zip(between, anchors, strict=True):
        if record.origin == "setup":
            processor.change_body(record.data["body_length_m"], anchor)
    return processor.form()


def _is_new_counter(processor: Processor, record: Record) -> bool:
    data = record.data
    return record.origin == "hello" and processor.is_new_counter(
        data["frequency_hz"], data["counter_bits"]
    )


def cut(
    these: Events, controls: Sequence[Record], places: Iterable[int]
) -> list[tuple[Events, list[Record]]]:
    """Cut a stream before the events at `places`, each record with the piece it stands in."""
    pieces, begin, left = [], 0, list(controls)
    for end in [*sorted(places), len(these)]:
        mine = [c for c in left if c.position < end or end == len(these)]
        left = left[len(mine) :]
        pieces.append(
            (part(these, begin, end), [replace(c, position=c.position - begin) for c in mine])
        )
        begin = end
    return pieces
