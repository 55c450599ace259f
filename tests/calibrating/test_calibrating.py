"""Calibrations from end to end: virtual gates, recordings, commands, the rig file."""

import json
import math
import re
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from command_kit import Outcome, is_one_clear_complaint
from gate_lines import framed

from chrono.arrays import machine_code
from chrono.calibrating import calibration
from chrono.calibrating.calibration import (
    Calibration,
    calibrate_clock,
    calibrate_drop,
    calibrate_swap,
    rig_changes,
)
from chrono.reports.calibration_text import calibration_lines
from chrono.rigs.rig_file import load_rig, parse_rig, rig_record
from chrono.session.recording_loader import read_recording
from chrono.virtual.scenarios import SCENARIOS, parse_play, rig_text
from chrono.virtual.virtual_board import TrueRig, simulate_recording, true_rig

Chrono = Callable[..., Outcome]
TODAY = date.today().isoformat()


def record(path: Path, address: str) -> Path:
    """Leave the recording that a session with the virtual board would leave."""
    play = parse_play(f"virtual://{address}")
    rig = rig_record(parse_rig(rig_text(play.scenario)))
    path.write_bytes(simulate_recording(play, rig=rig, file={"format": 1, "start": ""}))
    return path


def record_live(chrono: Chrono, name: str, address: str, shots: int) -> None:
    url = f"virtual://{address}&shots={shots}&speedup=1000"
    words = ("--recording", name, "--shots", shots, "--no-dashboard")
    assert chrono("clock", url, *words).code == 0


def truth(scenario: str, seed: int) -> TrueRig:
    return true_rig(SCENARIOS[scenario], seed)


def u95(result: Calibration, section: str) -> float:
    """Return about the half-width that the rig file will hold, from its u."""
    return 2 * float(str(rig_changes(result, "", "")[f"calibration.{section}.u"]).split()[0])


def value(result: Calibration, section: str) -> float:
    return float(str(rig_changes(result, "", "")[f"calibration.{section}.value"]).split()[0])


# -- the whole way -----------------------------------------------------------------------------


def test_a_drop_recorded_live_corrects_the_spacing_of_the_rig_file(chrono, tmp_path) -> None:
    rig = tmp_path / "rig.toml"
    assert chrono("rig", "new", rig, "--scenario", "drop-test").code == 0
    before = rig.read_bytes()
    record_live(chrono, "drops.tsv", "drop-test?seed=2", 6)
    words = ("calibrate", "drop", "drops.tsv", "--height", "500 mm", "--rig", rig)

    doubted = chrono(*words)
    untouched = rig.read_bytes()
    accepted = chrono(*words, "--accept")

    assert doubted.code == 1
    assert "differs from the stated 300.0 mm" in doubted.out
    assert "nothing was written" in doubted.err
    assert untouched == before
    assert accepted.code == 0
    found = load_rig(rig).calibration.spacing
    assert abs(found.spacing_m - truth("drop-test", 2).spacing_m) < 2 * found.spacing_u_m < 5e-4
    assert found.covers_trip
    assert found.date == TODAY
    assert "6 drops" in found.evidence
    assert "500.0 mm" in found.evidence
    assert (tmp_path / f"rig.toml.before-{TODAY}").read_bytes() == before


@pytest.mark.long
def test_a_swap_recorded_live_puts_the_delay_into_the_rig_file(chrono, tmp_path) -> None:
    rig = tmp_path / "rig.toml"
    chrono("rig", "new", rig, "--scenario", "swap-before")
    before = rig.read_bytes()
    record_live(chrono, "before.tsv", "swap-before?seed=1", 8)
    record_live(chrono, "after.tsv", "swap-after?seed=1", 8)

    outcome = chrono("calibrate", "swap", "before.tsv", "after.tsv", "--rig", rig)

    assert outcome.code == 0, outcome.err
    found = load_rig(rig).calibration.latency
    delay_a, delay_b = truth("swap-before", 1).latencies_s
    assert abs(found.difference_s - (delay_b - delay_a)) < 2.2 * found.difference_u_s < 1.3e-6
    assert found.date == TODAY
    assert "8 shots before the exchange of the sensors and 8 after" in found.evidence
    assert (tmp_path / f"rig.toml.before-{TODAY}").read_bytes() == before
    # the other way round where the sensors are left as they are now
    stay = chrono("calibrate", "swap", "before.tsv", "after.tsv", "--left-exchanged")
    assert stay.out.split(" than ")[0] == outcome.out.split(" than ")[0].replace(
        "sooner", "later"
    )


def test_the_clock_of_a_recording_goes_into_the_rig_file_and_narrows_speeds(
    chrono, tmp_path
) -> None:
    rig = tmp_path / "rig.toml"
    chrono("rig", "new", rig, "--scenario", "two-bands")
    record(tmp_path / "x.tsv", "two-bands?seed=5&shots=120")

    outcome = chrono("calibrate", "clock", "x.tsv", "--rig", rig)

    assert outcome.code == 0
    assert list(tmp_path.glob("rig.toml.before-*"))
    found = load_rig(rig).calibration.clock
    error = truth("two-bands", 5).rate_error
    assert abs(found.rate_error - error) < 2 * found.rate_error_u < 30e-6
    assert found.date == TODAY
    assert "beats" in found.evidence


def test_a_calibrated_rig_gives_the_true_speeds_of_the_drops(chrono, tmp_path) -> None:
    """What all this is for: right within less with the corrected spacing."""
    rig = tmp_path / "rig.toml"
    chrono("rig", "new", rig, "--scenario", "drop-test")
    record(tmp_path / "x.tsv", "drop-test?seed=4&shots=10")
    gates = truth("drop-test", 4)
    to_a_m = gates.height_m + SCENARIOS["drop-test"].body.length_m / 2
    # midway between the gates, as the plain law without air has it
    expected = math.sqrt(2 * gates.gravity_mps2 * (to_a_m + gates.spacing_m / 2))

    def measured() -> tuple[float, float]:
        setup = json.loads(chrono("summary", "x.tsv", "--rig", rig, "--json").out)[0]["setups"]
        return setup[0]["mean_mps"], setup[0]["U95_mean_mps"]

    stated = measured()
    chrono(
        *("calibrate", "drop", "x.tsv", "--height", "500 mm", "--rig", rig),
        "--accept",
    )
    calibrated = measured()

    # air takes a part of (kappa·h)/2 from it, 0.06 %
    assert abs(calibrated[0] - expected * 0.9994) < calibrated[1]
    assert abs(stated[0] - expected * 0.9994) > stated[1]
    assert calibrated[1] < stated[1]


# -- coverage ----------------------------------------------------------------------------------


def test_drops_of_virtual_gates_come_within_their_u95_of_the_truth(tmp_path) -> None:
    inside = []
    for seed in range(60):
        path = record(tmp_path / "x.tsv", f"drop-test?seed={seed}&shots=10")
        result = calibrate_drop(path, None, 0.5, 0.001)
        off_mm = value(result, "spacing") - 1e3 * truth("drop-test", seed).spacing_m
        # U95 of a rectangular contribution is 1.65 u
        inside.append(abs(off_mm) <= 1.65 / 2 * u95(result, "spacing"))

    assert np.mean(inside) >= 0.88


def test_drops_and_bounces_are_told_apart_by_their_times_in_seconds(
    tmp_path, monkeypatch
) -> None:
    starts: list[np.ndarray] = []

    def keep(start_s, downwards):
        starts.append(start_s)
        return downwards

    monkeypatch.setattr(calibration, "are_drops", keep)
    path = record(tmp_path / "x.tsv", "drop-test?seed=1&shots=6")
    calibrate_drop(path, None, 0.5, 0.001)

    by_computer_s = read_recording(path).session.log.shots["host_us"] * 1e-6
    assert np.diff(starts[0]) == pytest.approx(np.diff(by_computer_s), abs=0.1)


def test_a_swap_tells_the_work_of_both_recordings_before_the_first_is_read(
    tmp_path, monkeypatch
) -> None:
    told: list[int] = []
    monkeypatch.setattr(machine_code, "prepare_loops", told.append)
    paths = [
        record(tmp_path / f"{name}.tsv", f"swap-{name}?seed=1&shots=10")
        for name in ("before", "after")
    ]

    calibrate_swap(*paths, None)

    assert told[0] == sum(path.stat().st_size for path in paths)


def test_swaps_of_virtual_gates_come_within_their_u95_of_the_truth(tmp_path) -> None:
    inside = []
    for seed in range(60):
        before = record(tmp_path / "b.tsv", f"swap-before?seed={seed}&shots=10")
        after = record(tmp_path / "a.tsv", f"swap-after?seed={seed}&shots=10")
        result = calibrate_swap(before, after, None)
        delay_a, delay_b = truth("swap-before", seed).latencies_s
        off_us = value(result, "latency") - 1e6 * (delay_b - delay_a)
        inside.append(abs(off_us) <= 1.05 * u95(result, "latency"))

    assert np.mean(inside) >= 0.88


def test_a_body_stated_too_long_makes_a_swap_by_blocking_times_less_certain(tmp_path) -> None:
    """At 22 m/s, a body that is 2 mm longer blocks a gate for 91 µs longer."""
    before = record(tmp_path / "b.tsv", "swap-before?seed=1&shots=10")
    after = record(tmp_path / "a.tsv", "swap-after?seed=1&shots=10")
    rig = parse_rig(rig_text(SCENARIOS["swap-before"]))

    def offset_us(longer_m: float) -> float:
        body = rig.body.model_copy(update={"length_m": rig.body.length_m + longer_m})
        result = calibrate_swap(before, after, rig.model_copy(update={"body": body}))
        (found,) = (
            each.input.half_width * 1e6
            for each in result.uncertainty.contributions
            if each.name == "offset of the blocking times"
        )
        return found

    latency_us = rig.gates.latency_mismatch_s * 1e6
    assert latency_us <= offset_us(0.0) <= latency_us + 5
    assert offset_us(3e-3) - offset_us(1e-3) == pytest.approx(91, rel=0.02)


def with_stated(path: Path, **body: float) -> Path:
    """Copy a recording; each setup of the copy states these values of the body."""

    def stating(row: str) -> str:
        time, origin, line = row.rstrip("\n").split("\t")
        if origin == "setup":
            setup = json.loads(line)
            setup["body"].update(body)
            line = json.dumps(setup)
        return f"{time}\t{origin}\t{line}\n"

    rows = path.read_text("utf-8").splitlines(keepends=True)
    assert any("\tsetup\t" in row for row in rows)
    copy = path.with_name(f"{path.stem} {body}.tsv")
    copy.write_text("".join(map(stating, rows)), "utf-8", newline="\n")
    return copy


def test_a_drop_takes_the_body_that_the_setup_states(tmp_path) -> None:
    path = record(tmp_path / "x.tsv", "drop-test?seed=1&shots=10")
    rig = parse_rig(rig_text(SCENARIOS["drop-test"]))
    light = {"mass_kg": 2.7e-3, "diameter_m": 0.04}
    in_rig = rig.model_copy(update={"body": rig.body.model_copy(update=light)})

    found = calibrate_drop(with_stated(path, **light), None, 0.5, 0.001)

    assert value(found, "spacing") == value(calibrate_drop(path, in_rig, 0.5, 0.001), "spacing")
    # A light ball falls slower, so the same transits mean a spacing that is some percent less.
    ratio = value(found, "spacing") / value(calibrate_drop(path, None, 0.5, 0.001), "spacing")
    fall_mps2 = 9.81 * (1 - 1.2 * 4 / 3 * np.pi * 0.02**3 / 2.7e-3)
    kappa = 0.5 * 1.2 * 0.45 * np.pi * 0.02**2 / 2.7e-3
    height_m = 0.5 + 0.15
    expected = np.sqrt(fall_mps2 / kappa * (1 - np.exp(-2 * kappa * height_m))) / np.sqrt(
        2 * 9.81 * height_m
    )
    assert ratio == pytest.approx(expected, abs=0.01)
    assert ratio < 0.97


def test_drops_of_two_bodies_are_refused_without_a_setup(chrono, tmp_path) -> None:
    path = record(tmp_path / "x.tsv", "drop-test?seed=1&shots=10")
    rows = path.read_text("utf-8").splitlines(keepends=True)
    other = {"name": "hollow", "body": {"mass_kg": 2.7e-3}, "conditions": {}}
    middle = len(rows) // 2
    time = rows[middle].split("\t")[0]
    rows.insert(middle, f"{time}\tsetup\t{json.dumps(other)}\n")
    path.write_text("".join(rows), "utf-8", newline="\n")

    both = chrono("calibrate", "drop", path, "--height", "500 mm")
    one = chrono("calibrate", "drop", path, "--height", "500 mm", "--setup", "hollow")

    is_one_clear_complaint(both, path.name, "bodies of different mass or diameter", "--setup")
    assert "different mass" not in one.err


def test_a_swap_takes_the_length_that_the_setup_states(tmp_path) -> None:
    before = record(tmp_path / "b.tsv", "swap-before?seed=1&shots=10")
    after = record(tmp_path / "a.tsv", "swap-after?seed=1&shots=10")
    rig = parse_rig(rig_text(SCENARIOS["swap-before"]))
    own_m, false_m = rig.body.length_m, rig.body.length_m + 2e-3

    with_own, with_false = (
        calibrate_swap(
            *(with_stated(path, length_m=length_m) for path in (before, after)), None
        ).uncertainty.contributions
        for length_m in (own_m, false_m)
    )
    body = rig.body.model_copy(update={"length_m": false_m})
    false_rig = rig.model_copy(update={"body": body})

    assert with_own == calibrate_swap(before, after, None).uncertainty.contributions
    assert with_false == calibrate_swap(before, after, false_rig).uncertainty.contributions
    assert with_own != with_false


def test_a_swap_with_bodies_of_two_lengths_is_refused(chrono, tmp_path) -> None:
    before = record(tmp_path / "b.tsv", "swap-before?seed=1&shots=10")
    after = with_stated(
        record(tmp_path / "a.tsv", "swap-after?seed=1&shots=10"), length_m=0.042
    )

    outcome = chrono("calibrate", "swap", before, after)

    is_one_clear_complaint(outcome, after.name, "state bodies of different length")


# -- bad data ----------------------------------------------------------------------------------


@pytest.fixture(name="rig")
def _rig(chrono: Chrono, tmp_path: Path) -> Path:
    chrono("rig", "new", "rig.toml", "--scenario", "swap-before")
    return tmp_path / "rig.toml"


def stays_as_it_was(rig: Path) -> bool:
    text = rig_text(SCENARIOS["swap-before"])
    return rig.read_text() == text and not list(rig.parent.glob("rig.toml.before-*"))


def test_too_few_drops_are_refused(chrono, tmp_path, rig) -> None:
    record(tmp_path / "x.tsv", "drop-test?shots=4")
    outcome = chrono("calibrate", "drop", "x.tsv", "--height", "500 mm", "--rig", rig)
    is_one_clear_complaint(outcome, "4 usable drops", "at least 5")
    assert stays_as_it_was(rig)


@pytest.mark.parametrize("height", ["450 mm", "550 mm"])
def test_a_height_wrong_by_5_cm_is_noticed(chrono, tmp_path, height) -> None:
    record(tmp_path / "x.tsv", "drop-test?shots=10")
    chrono("rig", "new", "rig.toml", "--scenario", "drop-test")
    outcome = chrono("calibrate", "drop", "x.tsv", "--height", height, "--rig", "rig.toml")
    assert outcome.code == 1
    assert "the height looks wrong, not the spacing" in outcome.out
    assert not list(tmp_path.glob("rig.toml.before-*"))


def test_launches_are_no_drops(chrono, tmp_path, rig) -> None:
    record(tmp_path / "x.tsv", "swap-before?shots=10")
    words = ("calibrate", "drop", "x.tsv", "--height", "500 mm", "--rig", rig, "--accept")
    is_one_clear_complaint(chrono(*words), "a fall from 500 mm takes")
    assert stays_as_it_was(rig)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--height", "500"), "unit"),
        (("--height", "2 s"), "length"),
        (("--height=-500 mm",), "the height of a drop cannot be"),
        (("--height", "0 mm"), "the height of a drop cannot be"),
        (("--height", "500 km"), "the height of a drop cannot be"),
        (("--height", "500 mm", "--height-tolerance=-1 mm"), "--height-tolerance"),
        (("--height", "500 mm", "--height-tolerance", "60 cm"), "--height-tolerance"),
        (("--height", "500 mm", "--setup", "nobody's"), "no counted shots of setup"),
        (("--height", "500 mm", "--rig", "nowhere.toml"), "nowhere.toml"),
        ((), "--height"),
    ],
)
def test_a_drop_asked_for_wrongly_is_refused_in_one_line(chrono, tmp_path, words, told) -> None:
    record(tmp_path / "x.tsv", "drop-test?shots=10")
    is_one_clear_complaint(chrono("calibrate", "drop", "x.tsv", *words), told)


def test_sensors_that_were_not_exchanged_are_suspected_and_nothing_is_written(
    chrono, tmp_path, rig
) -> None:
    record(tmp_path / "b.tsv", "swap-before?seed=1&shots=12")
    rows = record(tmp_path / "again.tsv", "swap-before?seed=1&shots=24").read_bytes()
    lines = rows.splitlines(keepends=True)
    shots = [n for n, row in enumerate(lines) if b"\tE " in row]
    # the second dozen of the same gates, a session of its own
    (tmp_path / "again.tsv").write_bytes(b"".join(lines[:5] + lines[shots[48] :]))

    outcome = chrono("calibrate", "swap", "b.tsv", "again.tsv", "--rig", rig)

    assert outcome.code == 1
    assert "were not exchanged" in outcome.out
    assert "nothing was written" in outcome.err
    assert stays_as_it_was(rig)
    accepted = chrono("calibrate", "swap", "b.tsv", "again.tsv", "--rig", rig, "--accept")
    assert accepted.code == 0
    assert tomllib.loads(rig.read_text())["calibration"]["latency"]["date"] == TODAY


def test_too_few_shots_and_the_same_shots_twice_are_refused(chrono, tmp_path, rig) -> None:
    record(tmp_path / "b.tsv", "swap-before?shots=10")
    record(tmp_path / "copy.tsv", "swap-before?shots=10")
    record(tmp_path / "few.tsv", "swap-after?shots=4")
    swap = ("calibrate", "swap")
    is_one_clear_complaint(chrono(*swap, "b.tsv", "few.tsv", "--rig", rig), "and 4 after it")
    is_one_clear_complaint(chrono(*swap, "b.tsv", "b.tsv", "--rig", rig), "the same recording")
    is_one_clear_complaint(
        chrono(*swap, "b.tsv", "copy.tsv", "--rig", rig), "the same shots appear"
    )
    assert stays_as_it_was(rig)


def test_shots_of_another_launcher_are_suspected(chrono, tmp_path, rig) -> None:
    record(tmp_path / "b.tsv", "swap-before?shots=10")
    record(tmp_path / "other.tsv", "drop-test?shots=10")
    outcome = chrono("calibrate", "swap", "b.tsv", "other.tsv", "--rig", rig)
    assert outcome.code == 1
    assert "did not move the gates, the launcher" in outcome.out
    assert stays_as_it_was(rig)


def test_beats_over_20_s_are_refused(chrono, tmp_path, rig) -> None:
    record(tmp_path / "x.tsv", "two-bands?shots=6")
    outcome = chrono("calibrate", "clock", "x.tsv", "--rig", rig)
    is_one_clear_complaint(outcome, "x.tsv", "at least 60 s")
    assert stays_as_it_was(rig)


def test_beats_over_little_more_than_a_minute_are_widened_and_it_is_said(tmp_path) -> None:
    short = calibrate_clock(record(tmp_path / "a.tsv", "two-bands?shots=21"), None)
    long = calibrate_clock(record(tmp_path / "b.tsv", "two-bands?shots=250"), None)
    assert "a longer recording makes the uncertainty smaller" in calibration_lines(short)
    assert u95(short, "clock") > 1.2 * u95(long, "clock")


def test_plain_lines_have_no_clock_to_calibrate(chrono, tmp_path, rig) -> None:
    record(tmp_path / "x.tsv", "plain-board?shots=6")
    is_one_clear_complaint(
        chrono("calibrate", "clock", "x.tsv"), "plain lines contain no beats"
    )


def test_a_dry_run_writes_nothing_and_says_so(chrono, tmp_path, rig) -> None:
    record(tmp_path / "b.tsv", "swap-before?shots=10")
    record(tmp_path / "a.tsv", "swap-after?shots=10")
    outcome = chrono("calibrate", "swap", "b.tsv", "a.tsv", "--rig", rig, "--dry-run")
    assert outcome.code == 0
    assert "the option --dry-run only prints" in outcome.err
    assert stays_as_it_was(rig)


# -- slips: nothing is written, and the reason is said --------------------------------------


def slower_host(path: Path, factor: float) -> Path:
    """Let the computer's clock run at another rate than it did."""
    head, *rows = path.read_bytes().split(b"\n")
    cells = [row.split(b"\t", 1) for row in rows]
    moved = [
        b"\t".join([str(round(int(cell[0]) * factor)).encode(), *cell[1:]])
        if cell[0].isdigit()
        else b"\t".join(cell)
        for cell in cells
    ]
    path.write_bytes(b"\n".join([head, *moved]))
    return path


def test_a_clock_far_off_is_written_only_when_accepted(chrono, tmp_path, rig) -> None:
    slower_host(record(tmp_path / "x.tsv", "two-bands?shots=60"), 1.02)
    outcome = chrono("calibrate", "clock", "x.tsv", "--rig", rig)
    assert outcome.code == 1
    nothing = "nothing was written: the counter runs too fast or too slow, by more than the ± "
    assert nothing in outcome.err
    assert stays_as_it_was(rig)
    assert chrono("calibrate", "clock", "x.tsv", "--rig", rig, "--accept").code == 0
    kept = load_rig(rig).calibration.clock
    assert kept.rate_error == pytest.approx(1 / 1.02 - 1, abs=1e-3)


def drop_rig(chrono: Chrono, tmp_path: Path, **changes: str) -> Path:
    path = tmp_path / "drop.toml"
    chrono("rig", "new", path, "--scenario", "drop-test")
    text = path.read_text()
    for key, told in changes.items():
        text, count = re.subn(rf'(?m)^{key} = ".*?"', f'{key} = "{told}"', text)
        assert count == 1, key
    path.write_text(text)
    return path


@pytest.mark.parametrize(
    ("changes", "words", "reason"),
    [
        ({}, ("--height", "480 mm"), "does not agree"),
        (
            {},
            ("--height", "500 mm", "--height-tolerance", "60 mm"),
            "the drops give the spacing with ± ",
        ),
        ({"mass": "2.4 g"}, ("--height", "500 mm"), "does not agree"),
        ({"diameter": "42 mm"}, ("--height", "500 mm"), "does not agree"),
        ({"spacing": "306 mm"}, ("--height", "500 mm"), "does not agree"),
    ],
    ids=["height", "height hardly known", "mass", "diameter", "spacing"],
)
def test_a_drop_with_a_slip_is_not_written(chrono, tmp_path, changes, words, reason) -> None:
    record(tmp_path / "x.tsv", "drop-test?shots=12")
    rig = drop_rig(chrono, tmp_path, **changes)
    before = rig.read_text()
    outcome = chrono("calibrate", "drop", "x.tsv", *words, "--rig", rig)
    assert outcome.code == 1, outcome.out
    assert "nothing was written: " in outcome.err
    assert reason in outcome.err
    assert rig.read_text() == before


def test_level_shots_as_fast_as_the_drop_are_no_drop(chrono, tmp_path) -> None:
    """A ball rolled at the mean speed of the fall: each gate is blocked for as long."""
    rng, rows = np.random.default_rng(2), ["host_us\torigin\tline"]
    rig = drop_rig(chrono, tmp_path)
    rows.append("0\trig\t" + json.dumps(rig_record(load_rig(rig))))
    mean_mps = 0.3 / (math.sqrt(2 * 0.82 / 9.8104) - math.sqrt(2 * 0.52 / 9.8104))
    sequence = 0
    rows.append(f"0\tboard\t{framed('H 1 16000000 32 gates-328p 1.0')}")
    for shot in range(12):
        speed = mean_mps * (1 + 0.001 * rng.standard_normal())
        for gate, level, way in (("A", 1, 0), ("A", 0, 0.04), ("B", 1, 0.3), ("B", 0, 0.34)):
            seconds = 2 + 3 * shot + way / speed
            line = f"E {sequence:04X} {gate} {level} {round(16e6 * seconds):08X}"
            rows.append(f"{round(1e6 * seconds)}\tboard\t{framed(line)}")
            sequence += 1
    (tmp_path / "x.tsv").write_text("\n".join(rows) + "\n")
    outcome = chrono("calibrate", "drop", "x.tsv", "--height", "500 mm", "--rig", rig)
    assert outcome.code == 1, outcome.out
    assert "the balls did not gain speed like falling balls" in outcome.err


@pytest.mark.parametrize("address", ["two-bands?shots=12", "swap-before?shots=12"])
def test_a_recording_of_shots_is_no_drop(chrono, tmp_path, address) -> None:
    record(tmp_path / "x.tsv", address)
    outcome = chrono("calibrate", "drop", "x.tsv", "--height", "500 mm")
    is_one_clear_complaint(outcome, "a fall from 500 mm takes")
