"""Records between lines: the same shots, setups and marks in one piece and row by row."""

import json
from collections.abc import Iterable
from functools import cache
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from chrono.processor.shot_records import Flag
from chrono.reader.line_grammar import encode_hello
from chrono.reader.recording_rows import board_row, json_row, parse_row
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.rigs.rig_model import Rig
from chrono.session.operator_records import (
    HOLD_OFF,
    HOLD_ON,
    NOTE,
    Mark,
    Setup,
    mark_record,
    setup_record,
    undo_record,
)
from chrono.session.session import Session
from chrono.virtual.scenarios import parse_play, rig_text
from chrono.virtual.virtual_board import simulate_recording

ADDRESSES = ("class-afternoon?shots=8", "noisy-hall?shots=6", "plain-board?shots=8")
INTERVALS = "interval-board?shots=8"

BALL, STICK = Setup("ball"), Setup("stick", {"length_m": 0.2})
SHORT = Setup("short", {"length_m": 0.012, "mass_kg": 0.003})
SAID = (BALL, STICK, SHORT, Mark(HOLD_ON), Mark(HOLD_OFF))
HELLOS = (encode_hello(8_000_000, 32, "b", "1"), encode_hello(16_000_000, 32, "b", "1"))
RECORDS = st.one_of(
    st.sampled_from([("board", hello) for hello in HELLOS]),
    st.sampled_from([("setup", setup_record(each)) for each in (BALL, STICK, SHORT)]),
    st.sampled_from([("mark", mark_record(Mark(each))) for each in (HOLD_ON, HOLD_OFF)]),
    st.sampled_from([("mark", undo_record(each)) for each in SAID]),
    st.sampled_from(
        [
            ("setup", setup_record(Setup("stick", {"length_m": 0.05}, corrects="ball"))),
            ("setup", setup_record(Setup("ball", {}, corrects="stick"))),
            ("setup", {"name": "no body", "body": {"length_m": -1}}),
            ("mark", mark_record(Mark(NOTE, text="windy"))),
            ("mark", {"action": "no such"}),
            ("link", {"event": "lost", "port": "x", "reason": ""}),
        ]
    ),
)


@cache
def recording(address: str) -> tuple[Rig, list[bytes]]:
    play = parse_play(f"virtual://{address}")
    rig = parse_rig(rig_text(play.scenario))
    content = simulate_recording(play, rig=rig_record(rig), file={"format": 1, "start": ""})
    return rig, content.splitlines(keepends=True)[1:]


def with_records(
    rows: list[bytes], drawn: Iterable[tuple[int, tuple[str, Any]]]
) -> list[bytes]:
    """Put each record before the row at its place."""
    mixed = list(rows)
    for place, (origin, data) in drawn:
        host_us = int(rows[place].partition(b"\t")[0])
        is_line = isinstance(data, bytes)
        row = board_row(host_us, data) if is_line else json_row(host_us, origin, data)
        mixed[place] = row + mixed[place]
    return b"".join(mixed).splitlines(keepends=True)


def fed(rig: Rig, pieces: Iterable[bytes], known: Session | None = None) -> Session:
    session = Session(rig, known=known)
    for piece in pieces:
        session.feed(decode_rows(piece, rig.lines))
    session.finish()
    return session


def outcome(session: Session) -> dict[str, object]:
    """Return all that records may change, bit for bit."""
    log = session.log
    return {
        "shots": log.shots.tobytes(),
        "setup": log.setup.tolist(),
        "time_us": log.time_us.tolist(),
        "names": [session.setups.name(place) for place in log.setup.tolist()],
        "counted": session.counted().tolist(),
        "notes": session.notes(),
        "said": session.marks.notes,
        "corrected": session.lengths_corrected,
        "now": session.setup_now,
        "hold": session.on_hold,
        "anchor": session.processor.anchor(),
        "tally": session.processor.tally,
        "left out": session.unusable.record_reasons,
        "speeds": session.measured().speed_mps.tobytes(),
    }


@settings(max_examples=15, deadline=None)
@given(data=st.data(), address=st.sampled_from((*ADDRESSES, INTERVALS)))
def test_records_hold_from_their_place_in_one_piece_as_row_by_row(
    data: st.DataObject, address: str
) -> None:
    rig, rows = recording(address)
    places = st.integers(0, len(rows) - 1)
    mixed = with_records(rows, data.draw(st.lists(st.tuples(places, RECORDS), max_size=12)))

    whole, cut = fed(rig, [b"".join(mixed)]), fed(rig, mixed)

    assert outcome(whole) == outcome(cut)
    again, piecewise = (
        fed(rig, pieces, known) for pieces, known in (([b"".join(mixed)], whole), (mixed, cut))
    )
    assert outcome(again) == outcome(piecewise)


def test_a_session_changes_no_record_that_rows_with_the_same_text_share() -> None:
    rig, rows = recording("class-afternoon?shots=8")
    said = [("setup", setup_record(each)) for each in (BALL, STICK, SHORT, STICK)]
    said += [("mark", mark_record(Mark(NOTE, text="windy"))), ("mark", undo_record(STICK))]
    mixed = with_records(rows, enumerate(said, 10))

    session = fed(rig, [b"".join(mixed)])
    assert {"ball", "stick", "short"} <= {*session.setups.names}

    records = [row for row in mixed if b"{" in row]
    assert len(records) >= len(said)
    for row in records:
        text = row.split(b"\t", 2)[2]
        assert parse_row(row.rstrip(b"\n"), rig.lines).content == json.loads(text)


def test_a_setup_at_every_shot_names_it_and_its_length_judges_it() -> None:
    rig, rows = recording("class-afternoon?shots=14")
    shots = fed(rig, rows).log.shots
    read_us = [int(row.partition(b"\t")[0]) for row in rows]
    turns = [(BALL, STICK, SHORT)[number % 3] for number in range(len(shots))]
    records = [("setup", setup_record(setup)) for setup in turns]
    places = [read_us.index(host_us) for host_us in shots["host_us"].tolist()]

    session = fed(rig, [b"".join(with_records(rows, zip(places, records, strict=True)))])

    assert session.log.shots["key"].tolist() == shots["key"].tolist()
    assert [session.setups.name(place) for place in session.log.setup] == [
        setup.name for setup in turns
    ]
    ordinary = shots["flags"] == 0
    is_short = session.log.shots["flags"] & int(Flag.SHORT) > 0
    is_long = session.log.shots["flags"] & int(Flag.LONG) > 0
    assert ordinary.sum() > 3
    assert (is_short == [setup is STICK for setup in turns])[ordinary].all()
    assert (is_long == [setup is SHORT for setup in turns])[ordinary].all()
