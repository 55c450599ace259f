"""What a summary says of setups: a mean and its scatter, one shot, none, the mouth's speed."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from chrono.measuring.scatter import Drift
from chrono.reader.line_grammar import encode_beat, encode_hello
from chrono.reader.recording_rows import json_row
from chrono.reports.setup_words import spread_texts
from chrono.reports.statistics_text import drift_text, scatter_details, shape_text
from chrono.reports.summary_text import (
    setup_details,
    summary_data,
    summary_text,
    trouble_lines,
)
from chrono.safe_text import plain
from chrono.session.operator_records import Setup, setup_record
from chrono.session.recording_loader import read_recording
from chrono.session.rig_evidence import GateScatter
from chrono.session.session_summary import summary_of
from chrono.units import format_speed

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS, PLAIN, HALL = (
    RECORDINGS / f"{name}.tsv"
    for name in ("two-and-three-bands", "plain-lines-4us", "noisy-hall")
)


@pytest.fixture(name="with_setups")
def _with_setups(tmp_path):
    """Make a recording of one block of the demo session, under other setups."""

    def make(*changes: tuple[int, Setup]) -> Path:
        rows = BANDS.read_bytes().splitlines(keepends=True)
        board = [row for row in rows[3:] if b"\tboard\t" in row]
        shots_at = [i for i, row in enumerate(board) if b" A 1 " in row]
        for shot, setup in sorted(changes, key=lambda change: -change[0]):
            place = shots_at[shot]
            host_us = int(board[place].partition(b"\t")[0])
            board.insert(place, json_row(host_us, "setup", setup_record(setup)))
        path = tmp_path / "x.tsv"
        path.write_bytes(b"".join(rows[:3] + board))
        return path

    return make


def test_a_setup_of_one_shot_tells_that_shot_s_speed_and_uncertainty(with_setups) -> None:
    recorded = read_recording(with_setups((0, Setup("many")), (39, Setup("one"))))
    measured, series = recorded.session.measured(), recorded.session.series("one")

    assert series is not None
    assert series.n == 1
    assert series.mean_mps == measured.speed_mps[-1]
    assert series.U95_mean_mps == measured.U95_mps[-1]
    own = format_speed(measured.speed_mps[-1], measured.U95_mps[-1], "m/s")
    lines = summary_text(summary_of(recorded)).splitlines()
    assert lines[lines.index("  one") + 1] == f"    speed      {own}"
    assert lines[lines.index("  one") + 2].startswith("    body"), "one shot has no scatter"
    data = summary_data(summary_of(recorded))
    json.dumps(data, allow_nan=False)
    assert data["setups"][1]["range_mps"] is None, "one shot has no range"


def test_restarts_are_named_with_their_causes(tmp_path) -> None:
    """Four starts, a beat in each second: power first, then three restarts."""
    rows = BANDS.read_bytes().splitlines(keepends=True)[:3]
    for n, firmware in enumerate(("1.3+power", "1.3+watchdog", "1.2", "1.3+watchdog")):
        begin_us = n * 10_000_000
        lines = [encode_hello(16_000_000, 32, "board", firmware)]
        lines += [encode_beat(k, 16_000_000 * k + 4000, 0, 0) for k in range(5)]
        for k, line in enumerate(lines):
            rows.append(b"%d\tboard\t%s\n" % (begin_us + max(k - 1, 0) * 1_000_000, line))
    path = tmp_path / "restarts.tsv"
    path.write_bytes(b"".join(rows))
    recorded = read_recording(path)

    assert trouble_lines(recorded) == ["  3 restarts of the board: 2 by its watchdog"]
    assert summary_data(summary_of(recorded))["restart_causes"] == {
        "watchdog": 2,
        "unreported": 1,
    }


def test_json_has_both_parts_of_the_mean_s_uncertainty_and_what_k_comes_from(
    with_setups,
) -> None:
    recorded = read_recording(with_setups((0, Setup("three", {})), (37, Setup("other"))))
    series = recorded.session.series("other")

    found = summary_data(summary_of(recorded))["setups"][1]

    assert series is not None
    assert found["counted"] == 3
    assert found["random_dof"] == 2
    assert found["k"] == pytest.approx(found["U95_mean_mps"] / found["u_mean_mps"])
    assert found["u_mean_mps"] == pytest.approx(
        np.hypot(found["u_random_mean_mps"], found["u_shared_mean_mps"])
    )
    # t of two degrees of freedom (JCGM 100, table G.2: 4.30)
    assert found["U95_random_mean_mps"] == pytest.approx(
        4.303 * found["u_random_mean_mps"], 1e-3
    )
    assert found["U95_shared_mean_mps"] < 1.96 * found["u_shared_mean_mps"]
    assert found["dof"] >= 2


def test_the_table_has_what_numpy_finds(with_setups) -> None:
    recorded = read_recording(with_setups((0, Setup("many")), (39, Setup("one"))))
    speeds = recorded.session.measured().speed_mps[:39]

    lines = summary_text(summary_of(recorded)).splitlines()

    row = next(line for line in lines if line.startswith("  many  ")).split()
    assert row[1] == "39"
    assert float(row[2]) == pytest.approx(speeds.mean(), abs=0.051)
    assert float(row[5]) == pytest.approx(np.std(speeds, ddof=1), abs=0.0051)
    assert float(row[6]) == pytest.approx(np.median(speeds), abs=0.0051)
    slow, fast = speeds.argmin() + 1, speeds.argmax() + 1
    apart = next(line for line in lines if "(shot" in line)
    assert apart.split() == [
        *("from", f"{speeds.min():.2f}", "(shot", f"{slow})"),
        *("to", f"{speeds.max():.2f}", "(shot", f"{fast})"),
    ]


def test_json_has_the_statistics_that_scipy_finds(with_setups) -> None:
    recorded = read_recording(with_setups((0, Setup("many"))))
    speeds = recorded.session.measured().speed_mps

    data = summary_data(summary_of(recorded))
    (found,) = data["setups"]

    n, s = len(speeds), speeds.std(ddof=1)
    low, high = (s * np.sqrt((n - 1) / stats.chi2.ppf(p, n - 1)) for p in (0.975, 0.025))
    assert (found["s_low_mps"], found["s_high_mps"]) == pytest.approx((low, high))
    assert found["range_mps"] == pytest.approx(np.ptp(speeds))
    assert (found["slowest_shot"], found["fastest_shot"]) == (
        speeds.argmin() + 1,
        speeds.argmax() + 1,
    )
    line = stats.linregress(np.arange(1, n + 1), speeds)
    half = stats.t.ppf(0.975, n - 2) * line.stderr
    assert found["drift_mps_per_shot"] == pytest.approx(line.slope)
    assert found["drift_low_mps_per_shot"] == pytest.approx(line.slope - half)
    assert found["drift_high_mps_per_shot"] == pytest.approx(line.slope + half)
    assert found["launcher_s_mps"] ** 2 + found["instrument_s_mps"] ** 2 == pytest.approx(s**2)
    assert found["energy_j"] == pytest.approx(0.024 * speeds.mean() ** 2 / 2)
    assert found["momentum_Ns"] == pytest.approx(0.024 * speeds.mean())
    # a kitchen scale's 1 % and the mean's own ±: by hand, in quadrature
    by_mass = 0.024 * 0.01 / np.sqrt(3) * 1.96 * speeds.mean() ** 2 / 2
    by_speed = 0.024 * speeds.mean() * found["U95_mean_mps"]
    assert found["U95_energy_j"] == pytest.approx(np.hypot(by_mass, by_speed), rel=0.03)
    assert found["suspicious_shots"] == []
    assert data["session"]["s_within_mps"] == pytest.approx(s)
    assert data["session"]["drift_mps_per_shot"] == found["drift_mps_per_shot"]


def test_a_wild_shot_is_named_and_stays_counted(with_setups) -> None:
    """Shots 21 … 40 were shot with three bands: put one of two bands among them."""
    rows = BANDS.read_bytes().decode().splitlines()
    setups = [row for row in rows if "\tsetup\t" in row]
    assert len(setups) > 3, "the demo session changes between setups"
    recorded = read_recording(BANDS)
    places = [int(i) for i in np.flatnonzero(recorded.session.log.setup % 2)][:19]
    odd = next(i for i in range(40) if i not in places)
    changes = [(0, Setup("b"))]
    for place in range(40):
        name = "a" if place in places or place == odd else "b"
        if changes[-1][1].name != name:
            changes.append((place, Setup(name)))
    if changes[1][0] == 0:
        changes = changes[1:]

    mixed = read_recording(with_setups(*changes))
    found = next(
        each for each in summary_data(summary_of(mixed))["setups"] if each["setup"] == "a"
    )

    assert found["counted"] == len(places) + 1
    assert found["suspicious_shots"] == [odd + 1]
    text = summary_text(summary_of(mixed))
    assert f"suspicious please check shot {odd + 1}; this shot is counted" in text


def test_setups_of_one_shot_each_have_a_mean_together_without_an_uncertainty(
    with_setups,
) -> None:
    single = read_recording(
        with_setups(*((place, Setup(f"no {place}")) for place in range(40)))
    )
    summary = summary_of(single)
    session = summary_data(summary)["session"]

    assert session["counted"] == 40
    assert session["mean_mps"] is not None
    assert session["U95_mean_mps"] is None
    (row,) = (line for line in summary_text(summary).splitlines() if "all setups   " in line)
    assert "±" not in row
    assert "because no setup has two shots" in " ".join(summary_text(summary).split())


def test_all_setups_together_have_the_mean_s_scatter_from_within_them() -> None:
    summary = summary_of(read_recording(BANDS))
    speeds = summary.recorded.session.measured().speed_mps
    which = summary.recorded.session.log.setup
    names = [summary.recorded.session.setups.name(i) for i in which]
    parts = [speeds[[n == name for n in names]] for name in dict.fromkeys(names)]

    whole = summary_data(summary)["session"]

    within = sum(((part - part.mean()) ** 2).sum() for part in parts)
    dof = 40 - len(parts)
    assert whole["within_dof"] == dof == 38
    assert whole["s_within_mps"] == pytest.approx(np.sqrt(within / dof))
    assert whole["U95_random_mean_mps"] == pytest.approx(
        stats.t.ppf(0.975, dof) * np.sqrt(within / dof / 40)
    )
    assert whole["s_mps"] == pytest.approx(speeds.std(ddof=1))
    assert whole["mean_mps"] == pytest.approx(speeds.mean())
    assert (whole["slowest_shot"], whole["fastest_shot"]) == (
        speeds.argmin() + 1,
        speeds.argmax() + 1,
    )
    # by hand: each setup about its own means of number and speed, one slope for both
    numbers = [
        np.flatnonzero([n == name for n in names]) + 1.0 for name in dict.fromkeys(names)
    ]
    x = np.concatenate([n - n.mean() for n in numbers])
    y = np.concatenate([part - part.mean() for part in parts])
    assert whole["drift_mps_per_shot"] == pytest.approx(x @ y / (x @ x))


@pytest.mark.parametrize("name", ["two bands", "x" * 300, "二" * 40, "a" * 18, "\x1b[2Jno"])
def test_the_summary_fits_sixty_columns_and_cuts_no_name(with_setups, name) -> None:
    conditions = {"launcher": "sling of a very long name " * 6}
    recorded = read_recording(
        with_setups((0, Setup(name, conditions=conditions)), (20, Setup("other")))
    )

    text = summary_text(summary_of(recorded))

    assert max(map(len, text.splitlines())) <= 60
    assert "".join(plain(name).split()) in "".join(text.split())
    assert text.count("very") == 6
    assert "\x1b" not in text


def test_a_setup_s_own_body_gives_the_speed_at_the_mouth(with_setups) -> None:
    light = Setup("light", {"mass_kg": 0.006})
    recorded = read_recording(with_setups((0, Setup("as the rig")), (20, light)))

    as_the_rig, lighter = summary_data(summary_of(recorded))["setups"]

    loss, more = (
        setup["muzzle_mps"] / setup["mean_mps"] - 1 for setup in (as_the_rig, lighter)
    )
    assert more == pytest.approx(4 * loss, rel=0.05)
    assert lighter["mass_kg"] == 0.006
    assert lighter["energy_j"] == pytest.approx(0.006 * lighter["mean_mps"] ** 2 / 2)
    assert as_the_rig["mass_kg"] == 0.024


def test_the_energy_is_that_of_the_body_that_flew(with_setups) -> None:
    heavy = Setup("ball", {"mass_kg": 0.048})
    path = with_setups((0, Setup("ball", {"mass_kg": 0.012})), (20, Setup("other")))
    path.write_bytes(path.read_bytes() + json_row(10**9, "setup", setup_record(heavy)))

    ball, _ = summary_data(summary_of(read_recording(path)))["setups"]

    assert ball["mass_kg"] == 0.012
    assert ball["energy_j"] == pytest.approx(0.012 * ball["mean_mps"] ** 2 / 2)


def test_two_bodies_under_one_name_have_no_common_energy(with_setups) -> None:
    ball, heavy = Setup("ball", {"mass_kg": 0.024}), Setup("ball", {"mass_kg": 0.048})
    as_the_rig, with_length = Setup("ball"), Setup("ball", {"length_m": 0.041})  # 24 g too

    *same, unlike = (
        summary_of(read_recording(with_setups((0, ball), (20, other))))
        for other in (as_the_rig, with_length, heavy)
    )

    for alike in same:
        assert summary_data(alike)["setups"][0]["mass_kg"] == 0.024
        assert "different bodies" not in summary_text(alike)
    (told,) = summary_data(unlike)["setups"]
    assert told["counted"] == 40
    assert told["energy_j"] is told["mass_kg"] is told["muzzle_mps"] is None
    words = " ".join(summary_text(unlike).split())
    assert "no energy is computed, because the shots have 2 different bodies" in words
    assert "mouth" not in words


def test_the_drag_at_the_mouth_is_one_number_or_a_range_past_the_crisis(with_setups) -> None:
    # Re = 27 m/s · 0.2 m / 1.5e-5 m²/s is 3.6e5: a rough sphere may have left its 0.5 by there
    large = Setup("large", {"mass_kg": 0.5, "diameter_m": 0.2})
    recorded = read_recording(with_setups((0, Setup("as the rig")), (20, large)))

    first, second = re.findall(
        r"drag coefficient (.+?) at Re (\S+)",
        " ".join(summary_text(summary_of(recorded)).split()),
    )

    assert re.fullmatch(r"0\.[45]\d", first[0])
    assert second[0] == "0.07 … 0.52"
    assert float(first[1]) < 2e5 < float(second[1])


@pytest.mark.parametrize(
    ("slope_rad", "path"), [(0.0, "level path"), (-0.3, "path with the slope angle of the rig")]
)
def test_the_note_on_the_mouth_names_the_path_that_was_used(
    with_setups, slope_rad, path
) -> None:
    recording = with_setups((0, Setup("as the rig")))
    rig = read_recording(recording).session.rig
    gates = rig.gates.model_copy(update={"slope_rad": slope_rad})
    sloped = rig.model_copy(update={"gates": gates})

    text = " ".join(summary_text(summary_of(read_recording(recording, sloped))).split())

    assert f"mouth: {path}, " in text


@pytest.mark.parametrize("mass_kg", [1e-6, 4.2e-7])
def test_a_body_too_light_to_fly_has_no_speed_at_the_mouth(with_setups, mass_kg) -> None:
    recorded = read_recording(with_setups((0, Setup("foam", {"mass_kg": mass_kg}))))

    data = summary_data(summary_of(recorded))

    assert data["setups"][0]["muzzle_mps"] is None
    text = " ".join(summary_text(summary_of(recorded)).split())
    assert "not known, because the body is too light" in text
    json.dumps(data, allow_nan=False)


def test_a_drop_from_below_the_mouth_is_not_told_to_be_of_a_body_too_light(
    chrono, tmp_path
) -> None:
    drop = tmp_path / "drop.tsv"
    words = ("--scenario", "drop-test", "--speedup", 100, "--shots", 2)
    chrono("demo", *words, "--no-dashboard", "--recording", drop)
    text = " ".join(chrono("summary", drop).out.split())

    # after 0.5 m and half of the spacing the ball has 3.6 m/s; 1 m of fall alone gives 4.4 m/s
    assert "because a body that falls from there is faster at the gates" in text
    assert "too light" not in text


def test_start_and_launch_conditions_are_told(with_setups) -> None:
    conditions = {"bands": "3", "pull": "40 cm"}
    recorded = read_recording(with_setups((0, Setup("three", conditions=conditions))))

    lines = summary_text(summary_of(recorded)).splitlines()

    assert lines[2] == "  started 2025-05-16T14:00:00.000+02:00"
    assert "    conditions bands 3, pull 40 cm" in lines
    assert summary_data(summary_of(recorded))["started"] == "2025-05-16T14:00:00.000+02:00"


@pytest.mark.parametrize(
    ("slope", "half", "unit", "text"),
    [
        (0.0123, 0.0012, "m/s", "+0.123 ± 0.012 m/s per ten shots"),
        (-0.0123, 0.0012, "m/s", "-0.123 ± 0.012 m/s per ten shots"),
        (0.01, 0.005, "km/h", "+0.36 ± 0.18 km/h per ten shots"),
    ],
)
def test_a_drift_is_told_for_ten_shots_with_half_of_its_interval(slope, half, unit, text):
    drift = Drift(slope, slope - half, slope + half, 20)
    assert drift_text(drift, unit) == text
    assert drift.seen


def test_the_shape_of_the_speeds_is_told_from_eight_shots_on() -> None:
    assert "too few shots" in shape_text(math.nan, 7)
    assert "fit a bell curve" in shape_text(0.5, 8)
    assert shape_text(math.nan, 8) == "all speeds are the same"
    assert "do not fit" in shape_text(0.001, 8)


def test_what_chords_may_add_to_the_scatter_is_said_for_one_pair_of_edges(chrono) -> None:
    """Against balls of 40 mm that cross both beams anywhere within 5 mm of their middle."""
    rng = np.random.default_rng(9)
    half_m = np.sqrt(0.02**2 - rng.uniform(-5e-3, 5e-3, (200_000, 2)) ** 2)
    plain, framed = chrono("summary", PLAIN, "--json"), chrono("summary", BANDS, "--json")
    (setup,) = json.loads(plain.out)[0]["setups"]
    spacing_m = read_recording(PLAIN).session.rig.spacing_m
    expected = setup["mean_mps"] * np.std(half_m[:, 1] - half_m[:, 0]) / spacing_m
    assert setup["chords_s_mps"] == pytest.approx(expected, rel=0.02)
    assert "different heights" in " ".join(chrono("summary", PLAIN).out.split())
    assert {each["chords_s_mps"] for each in json.loads(framed.out)[0]["setups"]} == {0.0}
    assert "different heights" not in " ".join(chrono("summary", BANDS).out.split())


def test_what_chords_add_is_that_of_the_bodies_that_flew(tmp_path: Path) -> None:
    """Against balls of 40 and 60 mm by turns; a ball of 10 mm is entered, but never flies."""
    rng = np.random.default_rng(10)
    half_m = [
        np.sqrt(radius_m**2 - rng.uniform(-5e-3, 5e-3, (100_000, 2)) ** 2)
        for radius_m in (0.02, 0.03)
    ]
    played = read_recording(PLAIN).session
    name = played.setups.name(int(played.log.setup[0]))
    shots = len(played.log)
    rows = PLAIN.read_text("utf-8").splitlines()
    between = int(played.log.time_us[shots // 2 - 1]) + 300_000
    for us, diameter_m in ((between, 0.06), (int(rows[-1].split("\t")[0]), 0.01)):
        place = next(
            (i for i, r in enumerate(rows[1:], 1) if int(r.split("\t")[0]) > us), len(rows)
        )
        setup = {"name": name, "body": {"diameter_m": diameter_m}, "conditions": {}}
        rows.insert(place, f"{us}\tsetup\t{json.dumps(setup)}")
    copy = tmp_path / "bodies.tsv"
    copy.write_text("\n".join(rows) + "\n", "utf-8")
    (found,) = summary_of(read_recording(copy)).setups

    assert (found.bodies, shots % 2) == (2, 0)
    assert found.series is not None
    assert found.hidden is not None
    errors_m = np.concatenate([each[:, 1] - each[:, 0] for each in half_m])
    expected = found.series.mean_mps * np.std(errors_m) / played.rig.spacing_m
    assert found.hidden.chords_mps == pytest.approx(expected, rel=0.02)


def test_a_setup_entered_after_the_last_shot_hides_no_body_length(tmp_path: Path) -> None:
    rows = BANDS.read_text("utf-8").splitlines()
    setup = json.dumps({"name": "two bands", "body": {"length_m": 0.5}})
    rows.append(f"{rows[-1].split(chr(9))[0]}\tsetup\t{setup}")
    (tmp_path / "later.tsv").write_text("\n".join(rows) + "\n", "utf-8")
    (found, _), (before, _) = (
        summary_of(read_recording(path)).setups for path in (tmp_path / "later.tsv", BANDS)
    )
    assert found.blocking is not None
    assert found.blocking == before.blocking


def test_lamps_stand_in_the_summary_with_exit_code_1(chrono) -> None:
    shown, data = chrono("summary", HALL), chrono("summary", HALL, "--json")
    assert shown.code == data.code == 1
    assert "gate A tripped 783 times in the rhythm of a lamp (100 Hz)" in " ".join(
        shown.out.split()
    )
    assert json.loads(data.out)[0]["lamps"] == [
        {"gate": "A", "trips": 783, "frequency_hz": pytest.approx(100.004, abs=1e-3)}
    ]
    assert chrono("check", HALL).code == 1
    assert chrono("summary", BANDS).code == 0


def test_the_scatter_within_setups_has_the_interval_of_a_chi_squared_table() -> None:
    """38 degrees of freedom: 95 % of χ² are between 22.878 and 56.896."""
    summary = summary_of(read_recording(BANDS))
    s = summary_data(summary)["session"]["s_within_mps"]
    text = " ".join(summary_text(summary).split())

    low, high = s * math.sqrt(38 / 56.896), s * math.sqrt(38 / 22.878)
    assert f"s {s:.3f} m/s ({low:.2f} … {high:.2f}) within setups" in text


def test_what_the_gates_scatter_is_taken_from_the_launcher_in_quadrature() -> None:
    """Right-angled triangles: 3-4-5 for chords, 5-12-13 for slow noise."""
    found = summary_of(read_recording(PLAIN)).setups[0]
    rig = read_recording(PLAIN).session.rig
    assert found.scatter is not None
    scatter = replace(found.scatter, launcher_s_mps=0.5, instrument_s_mps=0.5)

    def told(chords_mps: float, noise_mps: float, launcher_mps: float = 0.5) -> str:
        own = replace(scatter, launcher_s_mps=launcher_mps)
        hidden = GateScatter(chords_mps, 3, 20, noise_mps)
        details = setup_details(replace(found, scatter=own, hidden=hidden), rig)
        return " ".join(dict(details).get("gates", ()))

    assert "a scatter of 0.30, and the launcher causes 0.40 to 0.50" in told(0.3, 0.0)
    noisy = told(0.0, 1.3, launcher_mps=1.3)
    assert "edges bounced in 3 of 20 shots." in noisy
    assert "a scatter of 1.2, and the launcher causes 0.50 to 1.3" in noisy
    # Noise of 0.52 m/s is only √(0.52² - 0.50²) = 0.143 m/s more than known: under 0.3 · 0.5.
    assert not told(0.0, 0.52)
    assert "the launcher causes 0.0 to 0.50" in told(0.6, 0.0)


def test_the_launcher_s_own_scatter_is_told_unless_the_gates_may_cause_all_of_it() -> None:
    found = summary_of(read_recording(BANDS)).setups[0]
    assert found.series is not None
    assert found.scatter is not None
    scatter = replace(
        found.scatter,
        instrument_s_mps=0.3,
        launcher_s_mps=0.4,
        launcher_low_mps=0.2,
        launcher_high_mps=0.7,
    )
    none = replace(scatter, launcher_s_mps=0.0, launcher_low_mps=0.0, launcher_high_mps=0.0)

    some, nothing = (
        " ".join(dict(scatter_details(found.series, each, "m/s"))["s"])
        for each in (scatter, none)
    )
    assert some.endswith("gates: s 0.30; launcher alone: s = 0.40 (0.20 … 0.70)")
    assert nothing.endswith("gates: s 0.30; this s is larger than the scatter of the shots")


def test_two_shots_have_a_scatter_by_hand(with_setups) -> None:
    """
    Of two numbers, s is their difference divided by √2, and the median is their mean.

    The mean is uncertain by t = 12.706 (one degree of freedom) times half of their difference.
    """
    recorded = read_recording(with_setups((0, Setup("many")), (38, Setup("two"))))
    first, second = recorded.session.measured().speed_mps[-2:]

    lines = summary_text(summary_of(recorded)).splitlines()

    row = next(line for line in lines if line.startswith("  two  ")).split()
    assert row[1] == "2"
    assert float(row[-2]) == pytest.approx(abs(first - second) / math.sqrt(2), rel=2e-2)
    assert float(row[-1]) == pytest.approx((first + second) / 2, abs=0.06)
    half = 12.706 * abs(first - second) / 2
    details = lines[lines.index("  two") + 2]
    assert float(details.split()[1]) == pytest.approx(half, abs=0.51)  # one digit is shown
    assert details.split()[2] == "random,"

    series = recorded.session.series("two")
    assert series is not None
    shown = {name: float(text) for name, text in spread_texts(series, "m/s")}
    assert shown["range"] == pytest.approx(shown["max"] - shown["min"], abs=0.11)
    assert shown["range"] == pytest.approx(abs(first - second), abs=0.06)
