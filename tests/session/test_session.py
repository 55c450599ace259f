"""One code path: however the rows arrive, the shots are the same."""

import itertools
import json
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chrono.errors import RecordingError
from chrono.measuring.speed import measure
from chrono.processor.pipeline import Processor
from chrono.reader.recording_rows import board_row, json_row
from chrono.reader.row_decoding import decode_rows
from chrono.reports.clock_text import remeasured_words
from chrono.rigs.rig_file import default_rig, parse_rig, rig_record
from chrono.rigs.rig_model import Rig
from chrono.session import operator_records
from chrono.session.annotations import SETUP_LIMIT
from chrono.session.operator_records import Mark, Setup, mark_record, setup_record
from chrono.session.rejected_input import SAMPLE_LIMIT
from chrono.session.session import Session
from chrono.session.shot_log import ShotRow
from chrono.session.view_cache import ViewCache
from chrono.virtual.scenarios import parse_play, rig_text
from chrono.virtual.virtual_board import simulate_recording


@cache
def recording(address: str) -> tuple[Rig, list[bytes]]:
    play = parse_play(f"virtual://{address}")
    rig = parse_rig(rig_text(play.scenario))
    content = simulate_recording(play, rig=rig_record(rig), file={"format": 1, "start": ""})
    return rig, content.splitlines(keepends=True)[1:]


def run(rig: Rig, pieces: Iterable[bytes]) -> Session:
    session = Session(rig)
    for piece in pieces:
        session.feed(decode_rows(piece, rig.lines))
    session.finish()
    return session


def shown(session: Session) -> list[ShotRow]:
    return list(session.rows_of(slice(0, len(session.log))))


def in_pieces(rows: list[bytes], size: int) -> Iterator[bytes]:
    for start in range(0, len(rows), size):
        yield b"".join(rows[start : start + size])


SCENARIOS = ("class-afternoon?shots=30", "noisy-hall?shots=25", "plain-board?shots=15")


@pytest.mark.parametrize("address", SCENARIOS)
@pytest.mark.parametrize("size", [1, 7, 1_000_000])
def test_shots_do_not_depend_on_the_size_of_the_pieces(address: str, size: int) -> None:
    rig, rows = recording(address)

    whole, cut = run(rig, [b"".join(rows)]), run(rig, in_pieces(rows, size))

    assert repr(shown(cut)) == repr(shown(whole))
    assert len(whole.log) >= 15


@settings(max_examples=30, deadline=None)
@given(data=st.data(), seed=st.integers(0, 3))
def test_shots_do_not_depend_on_where_the_rows_are_cut(data: st.DataObject, seed: int) -> None:
    rig, rows = recording(f"noisy-hall?shots=4&seed={seed}")
    cuts = sorted(data.draw(st.sets(st.integers(0, len(rows)), max_size=12)) | {0, len(rows)})
    pieces = [b"".join(rows[a:b]) for a, b in itertools.pairwise(cuts)]

    assert repr(shown(run(rig, pieces))) == repr(shown(run(rig, [b"".join(rows)])))


def test_looking_early_changes_nothing() -> None:
    rig, rows = recording("noisy-hall?shots=4")
    session = Session(rig)
    for row in rows:
        session.feed(decode_rows(row, rig.lines))
        ViewCache(session).view(5)
    session.finish()

    assert repr(shown(session)) == repr(shown(run(rig, [b"".join(rows)])))


def test_an_open_shot_shows_the_numbers_that_it_keeps() -> None:
    rig, rows = recording("two-bands?shots=6")
    session, early = Session(rig), {}
    for row in rows:
        session.feed(decode_rows(row, rig.lines))
        early.update({r.key: r for r in ViewCache(session).view(50).rows if r.open})
    session.finish()

    assert len(early) == 6
    for row in shown(session):
        assert early[row.key].speed_mps == row.speed_mps
        assert early[row.key].U95_mps == row.U95_mps


@pytest.fixture(name="afternoon", scope="module")
def _afternoon() -> tuple[Rig, list[bytes]]:
    return recording("class-afternoon?shots=20")


Afternoon = tuple[Rig, list[bytes]]


def after(afternoon: Afternoon, *records: tuple[str, dict[str, object]]) -> Session:
    """Return the session of the recording with some records added at its end."""
    rig, rows = afternoon
    extra = [json_row(10**9, origin, dict(data)) for origin, data in records]
    return run(rig, [b"".join([*rows, *extra])])


def test_a_shot_set_aside_keeps_its_reason_and_leaves_the_statistics(
    afternoon: Afternoon,
) -> None:
    plain = after(afternoon)
    key = shown(plain)[3].key

    session = after(
        afternoon, ("mark", mark_record(Mark(operator_records.SET_ASIDE, key, "hit the frame")))
    )

    row = shown(session)[3]
    assert not row.counted
    assert row.note == "set aside: hit the frame"
    assert session.counted().sum() == plain.counted().sum() - 1
    before, now = plain.series(row.setup), session.series(row.setup)
    assert before is not None
    assert now is not None
    assert now.n == before.n - 1


def test_a_shot_counted_again_is_as_if_it_had_never_been_set_aside(
    afternoon: Afternoon,
) -> None:
    key = shown(after(afternoon))[3].key

    session = after(
        afternoon,
        ("mark", mark_record(Mark(operator_records.SET_ASIDE, key, "why not"))),
        ("mark", mark_record(Mark(operator_records.COUNT_AGAIN, key))),
    )

    assert repr(shown(session)) == repr(shown(after(afternoon)))


def test_a_mark_stays_on_its_shot_when_the_spacing_is_corrected(afternoon: Afternoon) -> None:
    rig, _ = afternoon
    key = shown(after(afternoon))[5].key
    gates = rig.gates.model_copy(update={"spacing_m": rig.gates.spacing_m * 1.01})
    better = rig.model_copy(update={"gates": gates})

    session = after(
        afternoon,
        ("mark", mark_record(Mark(operator_records.NOTE, key, "this one"))),
        ("rig", rig_record(better)),
    )

    assert session.needs_second_pass
    again = Session(better, fixed_rig=True)
    again.feed(
        decode_rows(
            b"".join([*afternoon[1], json_row(1, "mark", {"action": "note", "shot": key})]),
            rig.lines,
        )
    )
    again.finish()
    assert [r.key for r in shown(again)] == [r.key for r in shown(session)]


def test_shots_on_hold_are_recorded_and_not_counted(afternoon: Afternoon) -> None:
    rig, rows = afternoon
    middle = len(rows) // 2
    on, off = (
        json_row(0, "mark", mark_record(Mark(a)))
        for a in (operator_records.HOLD_ON, operator_records.HOLD_OFF)
    )

    session = run(rig, [b"".join([*rows[:middle], on, *rows[middle:-40], off, *rows[-40:]])])

    held = [row for row in shown(session) if row.note == "on hold"]
    assert 0 < len(held) < 20
    assert not any(row.counted for row in held)
    assert len(session.log) == 20


def test_a_setup_holds_from_its_record_on(afternoon: Afternoon) -> None:
    session = after(afternoon)

    assert {row.setup for row in shown(session)[:10]} == {"two bands"}
    assert {row.setup for row in shown(session)[10:]} == {"three bands"}


def test_the_sample_of_a_setup_holds_the_numbers_of_its_own_shots(
    afternoon: Afternoon,
) -> None:
    session = after(afternoon)
    speeds = {row.number: row.speed_mps for row in shown(session) if row.counted}
    for setup in ("two bands", "three bands"):
        sample = session.sample(setup)
        wanted = [row.number for row in shown(session) if row.counted and row.setup == setup]
        assert sample is not None
        assert sample.number.tolist() == wanted
        assert sample.speed_mps.tolist() == [speeds[number] for number in wanted]


@pytest.mark.parametrize("size", [1, 7, 50, 10_000])
def test_a_damaged_line_is_told_by_its_row_however_the_recording_was_cut(
    afternoon: Afternoon, size: int
) -> None:
    rig, rows = afternoon
    damaged = {20: board_row(0, b"E noise"), 90: board_row(0, b"E more noise")}
    rows = [damaged.get(place, row) for place, row in enumerate(rows)]
    session = run(rig, in_pieces(rows, size))
    found = [(line.row, line.text) for line in session.unusable.line_samples]
    assert found == [(21, "E noise"), (91, "E more noise")]


def test_a_setup_with_another_body_judges_by_its_length(afternoon: Afternoon) -> None:
    rig, rows = afternoon
    longer = json_row(0, "setup", setup_record(Setup("stick", {"length_m": 0.2})))
    body = [row for row in rows if b"\tsetup\t" not in row]

    session = run(rig, [longer + b"".join(body)])

    assert all("short" in row.flags for row in shown(session))


def test_records_that_are_none_are_left_out_and_counted(afternoon: Afternoon) -> None:
    session = after(
        afternoon,
        ("mark", {"action": "explode"}),
        ("setup", {"name": "x", "body": {"length_m": -1}}),
        ("mark", {"action": "set-aside", "shot": 10**17, "text": "no such shot"}),
    )

    assert session.unusable.records == 2
    assert session.unusable.record_reasons == [
        "mark at 1000.000 s: unknown mark 'explode'",
        "setup at 1000.000 s: -1 is not a possible mass or length of a body",
    ]
    assert session.unusable.line_samples == []
    assert repr(shown(session)) == repr(shown(after(afternoon)))


def test_reasons_are_few_and_short(afternoon: Afternoon) -> None:
    session = after(afternoon, *[("mark", {"action": "x" * 500})] * 300)
    assert session.unusable.records == 300
    assert len(session.unusable.record_reasons) == SAMPLE_LIMIT
    assert max(map(len, session.unusable.record_reasons)) < 150


def test_marks_on_more_shots_than_any_session_has_are_left_out_and_counted(
    afternoon: Afternoon, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("chrono.session.annotations.MARK_LIMIT", 3)
    keys = [row.key for row in shown(after(afternoon))][:5]
    aside = [("mark", {"action": "set-aside", "shot": key}) for key in [*keys, keys[0]]]
    session = after(afternoon, *aside)
    assert session.unusable.records == 2
    assert [row.counted for row in shown(session)[:5]] == [False, False, False, True, True]


def test_more_setups_than_any_session_has_end_in_one_clear_line(afternoon: Afternoon) -> None:
    row = json_row(0, "setup", {"name": "again"})

    with pytest.raises(RecordingError, match=f"more than {SETUP_LIMIT} setups"):
        run(afternoon[0], [row * (SETUP_LIMIT + 2)])


def test_the_boards_own_frequency_overrides_the_rigs(afternoon: Afternoon) -> None:
    rig, rows = afternoon
    clock = rig.clock.model_copy(update={"frequency_hz": 8e6})
    wrong = rig.model_copy(update={"clock": clock})
    body = [row for row in rows if b"\trig\t" not in row]

    session = run(wrong, [b"".join(body)])

    speeds = [r.speed_mps for r in shown(session)]
    assert np.allclose(speeds, [r.speed_mps for r in shown(after(afternoon))], rtol=1e-12)


def test_rows_of_the_log_are_json_with_nothing_missing(afternoon: Afternoon) -> None:
    from chrono.reports.export_table import COLUMNS, shot_records

    session = after(afternoon)
    records = list(shot_records(session, "a.tsv", slice(0, len(session.log))))

    assert len(records) == 20
    assert all(tuple(record) == COLUMNS for record in records)
    json.dumps(records, allow_nan=False)


def test_scripts_get_the_exported_columns_as_a_data_frame(afternoon: Afternoon) -> None:
    from chrono.reports.export_table import COLUMNS, shot_frame

    session = after(afternoon)
    frame = shot_frame(session, "a.tsv")

    assert tuple(frame.columns) == COLUMNS
    assert list(frame["speed_mps"]) == [round(r.speed_mps, 6) for r in shown(session)]


REPEATED = {
    "link": b'0\tlink\t{"event": "reopened", "port": "x"}\n',
    "hello": b"0\tboard\tH 1 16000000 32 gates-328p 1.0 F934\n",
    "rig": None,
    "note": b'0\tmark\t{"action": "note", "shot": 5, "text": "x"}\n',
    "hold": b'0\tmark\t{"action": "hold-on"}\n',
    "setup": b'0\tsetup\t{"name": "x", "body": {"length_m": 0.03}}\n',
    "correction": b'0\tsetup\t{"name": "y", "corrects": "x"}\n',
}


@pytest.mark.parametrize("origin", REPEATED)
def test_records_between_lines_take_no_stretch_of_their_own(
    origin: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig, rows = recording(SCENARIOS[0])
    record = REPEATED[origin] or json_row(0, "rig", rig_record(rig))
    calls = {"place": 0, "form": 0, "measure": 0}

    def counted(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            calls[name] += 1
            return function(*args, **more)

        return call

    for name in ("place", "form"):
        monkeypatch.setattr(Processor, name, counted(name, getattr(Processor, name)))
    monkeypatch.setattr("chrono.session.speed_models.measure", counted("measure", measure))

    def calls_with(records: int) -> dict[str, int]:
        calls.update(place=0, form=0, measure=0)
        after = range(len(rows) - records, len(rows))
        mixed = [row + record if i in after else row for i, row in enumerate(rows)]
        run(rig, [b"".join(mixed)])
        return dict(calls)

    assert calls_with(100) == calls_with(1) == {"place": 2, "form": 2, "measure": 0}


def test_many_rigs_in_one_piece_measure_as_one_by_one() -> None:
    rig, rows = recording(SCENARIOS[0])
    gates = [rig.gates.model_copy(update={"spacing_tolerance_m": 1e-4 * n}) for n in (9, 2, 7)]
    records = [
        json_row(0, "rig", rig_record(rig.model_copy(update={"gates": g}))) for g in gates
    ]
    mixed = [*rows[:100], records[0], *rows[100:200], *records[1:], *rows[200:]]

    whole, cut = run(rig, [b"".join(mixed)]), run(rig, mixed)

    assert whole.rig.gates.spacing_tolerance_m == pytest.approx(7e-4)
    assert repr(shown(whole)) == repr(shown(cut))


def test_the_budget_of_a_shot_that_bounced_is_that_which_it_carries() -> None:
    rig, rows = recording("noisy-hall?shots=25")
    session = run(rig, [b"".join(rows)])
    bounced = [row for row in session.rows_of(slice(0, 25)) if row.bounce_us > 0]
    assert len(bounced) > 5
    for row in bounced:
        budget = session.budget_of(row)
        assert budget.contributions[-1].name == "bounce"
        for name in ("u_mps", "u_random_mps", "u_shared_mps", "U95_mps"):
            assert getattr(budget, name) == pytest.approx(getattr(row, name), rel=1e-9)


def test_going_back_to_the_rig_s_clock_is_told_in_words() -> None:
    words = remeasured_words(Session(default_rig()))

    assert words == "All shots were computed again with the clock rate that the rig states."


def test_a_row_has_the_measured_values_in_its_units() -> None:
    session = run(*recording("class-afternoon?shots=30"))
    measured, rows = session.measured(), shown(session)
    told = set()
    for unit, si, scale in (("_mps", "_mps", 1.0), ("_us", "_s", 1e6), ("_mm", "_m", 1e3)):
        for name in (name for name in ShotRow.__dataclass_fields__ if name.endswith(unit)):
            expected = scale * getattr(measured, name.removesuffix(unit) + si)
            found = [getattr(row, name) for row in rows]
            np.testing.assert_allclose(found, expected, rtol=1e-12, err_msg=name)
            told |= {name} if np.isfinite(expected).any() else set()
    assert told >= {"speed_mps", "transit_us", "bounce_us", "length_a_mm", "length_b_mm"}
