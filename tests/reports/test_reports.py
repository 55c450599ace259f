"""The budget and the plan as text and as JSON: right numbers, 80 columns, any rig."""

import json
import re
from dataclasses import replace
from typing import Any

import pytest
from launch_kit import IN_VACUUM, SQUASH_BALL, stated

from chrono.measuring.body_in_air import MovingBody
from chrono.measuring.error_budget import normal
from chrono.measuring.measurement_plan import budget_of_speed, plan_for
from chrono.measuring.propagation import Estimate, Quantity, known, propagate
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.budget_text import budget_data, budget_text, plan_data, plan_text
from chrono.reports.launch_text import UserUnits, launch_body_text, leading_line
from chrono.reports.rig_text import calibration_rows, rig_rows
from chrono.reports.setup_words import count_text
from chrono.rigs.rig_file import default_rig, parse_rig, rig_from_record, rig_record
from chrono.rigs.rig_model import Rig

COARSE = parse_rig(
    """
    name = "bench"
    speed_unit = "km/h"
    lines = "plain"
    [gates]
    spacing = "100 mm"
    [clock]
    tick = "4 us"
    rate_tolerance = "5000 ppm"
    [calibration.latency]
    value = "0.3 us"
    u = "0.1 us"
    dof = 3
    """
)


def changed(**gates: Any) -> Rig:
    record = rig_record(default_rig())
    record["gates"] |= gates
    return rig_from_record(record)


def crystal_rig() -> Rig:
    """Gates with a crystal and quick sensors, better than the defaults."""
    record = rig_record(default_rig())
    record["gates"]["latency_mismatch_s"] = 0.2e-6
    record["clock"]["rate_tolerance"] = 50e-6
    return rig_from_record(record)


EXACT = changed(
    spacing_tolerance_m=0.0, trip_tolerance_m=0.0, tilt_limit_rad=0.0, latency_mismatch_s=0.0
)


def test_a_long_transit_is_told_without_a_power_of_ten() -> None:
    lines = budget_text(budget_of_speed(crystal_rig(), 1.2)).split("\n")
    assert lines[1].startswith("300 mm in 250066 us, 4001050 ticks of 62.5 ns")


def test_a_rig_s_budget_reads_as_follows() -> None:
    lines = budget_text(budget_of_speed(crystal_rig(), 45.0)).split("\n")
    assert lines[0] == "Error budget of 45.00 m/s with light gates"
    assert lines[1] == "300 mm in 6667.01 us, 106672 ticks of 62.5 ns, two pairs of edges"
    table = "\n".join(lines[3:17])
    assert table.split("\n") == [
        "input                    stated distribution  sensitivity  u [m/s]   share",
        "─" * 80,
        "gate spacing           ± 0.5 mm rectangular      0.15/mm    0.043  75.5 % █████",
        "trip position, A       ± 0.2 mm rectangular      0.15/mm    0.017  12.1 % █",
        "trip position, B       ± 0.2 mm rectangular      0.15/mm    0.017  12.1 % █",
        "tilt of the path           0…1° tilt              0.45/%   0.0020   0.2 %",
        "clock rate             ± 50 ppm rectangular  4.5e-05/ppm   0.0013   0.1 %",
        "latency mismatch       ± 0.2 us rectangular   0.00675/us  0.00078   0.0 %",
        "tick, two pairs       ± 62.5 ns two-pair     6.75e-06/ns  0.00012   0.0 %",
        "jitter                 u 0.1 us normal        0.00675/us  0.00067   0.0 %",
        "─" * 80,
        "random part                                               0.00069   0.0 %",
        "shared part                                                 0.050 100.0 %",
        "combined                                                    0.050 100.0 %",
    ]
    rest = "\n".join(lines[17:])
    assert "U95            0.092 m/s (0.20 %), k = 1.84" in rest
    assert "simple formula 0.098 m/s (with Student's t for ∞ degrees of freedom)" in rest
    assert "only the tick  44.99958 … 45.00042 m/s, if nothing else causes an error" in rest
    assert re.search(r"random trials  95 % of \d+ speeds are 44.908 … 45.092 m/s", rest)
    assert "agree to 2 digits with U95; the simple formula gives 6.3 % more" in rest
    assert "Improve gate spacing first: if you halve its u, U95 becomes 0.063 m/s." in rest
    assert "0.058 m/s  measure the gate spacing with a steel rule and a lens, ± 0.2 mm" in rest


@pytest.mark.parametrize(
    ("ours", "first", "words"),
    [
        (1.0, 1.0, "U95 and also with the simple formula's ±"),
        (1.0, 1.25, "U95; the simple formula gives 25.0 % more"),
        (1.0, 0.8, "U95; the simple formula gives 20.0 % less"),
        (1.5, 1.0, "the simple formula's ±, but not with U95"),
        (1.5, 0.5, "neither U95 nor the simple formula's ±"),
    ],
)
def test_what_the_trials_confirm_is_what_agrees_with_their_interval(
    ours: float, first: float, words: str
) -> None:
    found = budget_of_speed(crystal_rig(), 45.0, max_trials=100_000)
    half = (found.trials.high - found.trials.low) / 2
    middle = replace(found.trials, low=45.0 - half, high=45.0 + half)
    stated = replace(
        found.budget, speed_mps=45.0, U95_mps=ours * half, U95_first_order_mps=first * half
    )
    text = budget_text(replace(found, budget=stated, trials=middle))
    assert f"agree to 2 digits with {words}\n" in text


@pytest.mark.parametrize(
    "rig", [default_rig(), COARSE, EXACT], ids=["default", "coarse", "exact"]
)
@pytest.mark.parametrize("speed", [0.5, 45.0, 5000.0])
@pytest.mark.parametrize("used", [EdgesUsed.BOTH, EdgesUsed.LEAD])
def test_reports_fit_80_columns_and_their_numbers_are_the_budget_s(
    rig: Rig, speed: float, used: EdgesUsed
) -> None:
    found = budget_of_speed(rig, speed, used, 200_000)
    text, data = budget_text(found), budget_data(found)
    assert max(map(len, text.split("\n"))) <= 80
    json.dumps(data, allow_nan=False)
    model = SpeedModel.from_rig(rig)
    budget = shot_budget(model, model.board_transit(speed, used), used)
    assert data["U95_mps"] == budget.U95_mps
    assert sum(row["share"] for row in data["contributions"]) == pytest.approx(1)
    # a body of half a metre a second hangs on the slope, which acts by its square
    close = 0.05 if speed > 1 else 0.15
    assert data["monte_carlo"]["half_width"] == pytest.approx(budget.U95_mps, rel=close)
    assert data["effective_dof"] is None or data["effective_dof"] > 1


def test_a_name_cannot_steer_the_terminal_or_the_layout() -> None:
    record = rig_record(default_rig()) | {"name": "[red]gates[/red] " + "x" * 40}
    assert "[red]gates[/red]" in budget_text(
        budget_of_speed(rig_from_record(record), 45.0, max_trials=100_000)
    )


def test_a_plan_marks_what_reaches_the_goal() -> None:
    text = plan_text(plan_for(crystal_rig(), 60.0, 0.005))
    assert text.startswith("To measure a speed of 60 m/s with a U95 of at most 0.5 %:")
    assert max(map(len, text.split("\n"))) <= 80
    rows = [line for line in text.split("\n") if line.startswith(("crystal", "ceramic"))]
    assert len(rows) == 12
    for row in rows:
        for error, mark in re.findall(r"([\d.]+) % ([+ ])", row)[:3]:
            if float(error) != 0.5:
                assert (float(error) < 0.5) == (mark == "+"), row
    assert "The rig light gates (300 mm, steps of 62.5 ns) has a U95 of 0.20 %." in text
    assert "The largest cause of the uncertainty: gate spacing, 76 % of u²." in text
    assert (
        "U95 is at most 0.5 % for all speeds that the rig allows (2 … 200 m/s), and also for "
        "faster bodies up to 45" in " ".join(text.split())
    )


def test_a_plan_s_curve_stands_at_round_speeds_of_the_shown_unit() -> None:
    rig = rig_from_record(rig_record(crystal_rig()) | {"speed_unit": "km/h"})
    lines = plan_text(plan_for(rig, 60.0, 0.005)).split("\n")
    begin = next(n for n, line in enumerate(lines) if line.split()[:1] == ["speed"])
    speeds = [line.split()[0] for line in lines[begin + 1 :]]
    assert " ".join(speeds) == "7.2 10 20 50 100 200 500 1000 2000 5000 7200"


def test_plain_and_interval_lines_are_judged_by_the_one_pair_of_edges_they_tell() -> None:
    model = SpeedModel.from_rig(COARSE)
    transit_s = model.board_transit(60.0, EdgesUsed.LEAD)
    lead = shot_budget(model, transit_s, EdgesUsed.LEAD).U95_mps
    assert lead > 1.01 * shot_budget(model, transit_s, EdgesUsed.BOTH).U95_mps
    assert budget_data(budget_of_speed(COARSE, 60.0, max_trials=100_000))["U95_mps"] == lead
    assert "one pair of edges" in budget_text(budget_of_speed(COARSE, 60.0, max_trials=100_000))
    planned = plan_data(plan_for(COARSE, 60.0, 0.005))
    assert planned["rig"]["U95_relative"] == pytest.approx(lead / 60, rel=1e-4)
    like_it = [o for o in planned["options"] if (o["spacing_m"], o["tick_s"]) == (0.1, 4e-6)]
    assert [o["U95_relative"] for o in like_it if o["clock"] == "ceramic"] == pytest.approx(
        [lead / 60], rel=1e-3
    )


def test_a_board_without_beats_is_not_told_to_have_its_clock_measured_by_them() -> None:
    text = budget_text(budget_of_speed(COARSE, 45.0, max_trials=100_000))
    assert "calibrate clock" not in text
    assert "use a board whose clock has a quartz crystal" in text


def test_a_speed_outside_the_window_is_told_to_be_no_shot() -> None:
    for speed, flag in ((1.0, "too-slow"), (500.0, "too-fast")):
        for text in (
            budget_text(budget_of_speed(default_rig(), speed, max_trials=100_000)),
            plan_text(plan_for(default_rig(), speed, 0.01)),
        ):
            assert (
                f"gets the flag {flag} and is not counted:\n"
                "the rig's window allows speeds of 2 … 200 m/s." in text
            )
    assert "window allows" not in budget_text(
        budget_of_speed(default_rig(), 45.0, max_trials=100_000)
    )


@pytest.mark.parametrize("within", [1e-4, 0.01, 0.9])
@pytest.mark.parametrize(
    "rig", [default_rig(), COARSE, EXACT], ids=["default", "coarse", "exact"]
)
def test_a_plan_for_any_rig_and_goal_fits_and_is_json(rig: Rig, within: float) -> None:
    text, data = plan_text(plan_for(rig, 60.0, within)), plan_data(plan_for(rig, 60.0, within))
    assert max(map(len, text.split("\n"))) <= 80
    json.dumps(data, allow_nan=False)
    assert ("At every speed" in text) == (data["rig"]["highest_speed_mps"] is None)


def test_reports_load_no_screen() -> None:
    import subprocess
    import sys

    code = (
        "import sys, chrono.reports.budget_text, chrono.reports.budget_text; "
        "assert not {'textual', 'pandas', 'rich'} & set(sys.modules), sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (SQUASH_BALL, "24.00 ± 0.23 g, 40.00 ± 0.19 mm, smooth sphere"),
        (IN_VACUUM, "24.00 ± 0.23 g, no air"),
        (replace(SQUASH_BALL, mass=None), "40.00 ± 0.19 mm"),
        (replace(SQUASH_BALL, sphere=False, drag=known("drag", 0.8)), "drag 0.8"),
        (replace(SQUASH_BALL, terminal=known("terminal", 25.0)), "terminal speed 25"),
    ],
    ids=["a ball", "no air", "no mass", "its drag", "its terminal speed"],
)
def test_a_body_is_told_by_what_is_known_of_it(body: MovingBody, words: str) -> None:
    text = launch_body_text(stated(20.0, body=body), UserUnits("m/s"))
    assert words in text, text
    assert ("sphere" in text) == ("sphere" in words)


def of_parts(*stated: tuple[str, float]) -> Estimate:
    """Return an estimate of which each input's standard uncertainty is given."""
    values = {name: Quantity(name, 1.0, normal(name, u)) for name, u in stated}
    (found,) = propagate(lambda given: (sum(given.values()),), list(values.values()))
    return found


def test_what_makes_most_of_an_uncertainty_is_named_with_its_share_of_the_variance() -> None:
    found = of_parts(("mass", 3.0), ("wind", 4.0), ("height", 0.1))
    assert (
        leading_line(found, "range")
        == "causes of the ± of the range (shares of u²): wind 64 %, mass 36 %"
    )


def test_nothing_is_named_where_nothing_is_uncertain() -> None:
    assert leading_line(of_parts(("mass", 0.0)), "range") == ""


def test_a_rig_s_rows_tell_its_limits_in_the_units_in_which_they_are_stated() -> None:
    assert dict(rig_rows(crystal_rig())) == {
        "gate spacing": "300 mm ± 0.5 mm",
        "position in the beam where a gate trips": "± 0.2 mm",
        "tilt of the path": "0 … 1°",
        "difference of the sensors' delays": "± 200 ns",
        "body's distance from the beam's middle": "± 5 mm",
        "tick of the counter": "62.5 ns",
        "counter": "32 bits at 16 MHz",
        "counter's rate": "± 50 ppm",
        "jitter of one timestamp": "standard deviation 100 ns",
    }


def test_a_rig_of_plain_lines_has_no_counter_to_tell_of_and_a_flat_body_no_axis() -> None:
    record = rig_record(COARSE)
    record["body"] |= {"shape": "flat"}
    record["clock"] |= {"jitter_s": 0.0}
    rows = dict(rig_rows(rig_from_record(record)))
    assert not {"counter", "body's distance from the beam's middle"} & rows.keys()
    assert rows["tick of the counter"] == "4 us"
    assert rows["counter's rate"] == "± 5000 ppm"
    assert rows["jitter of one timestamp"] == "none"


def test_a_calibration_is_told_or_that_there_is_none() -> None:
    rows = dict(calibration_rows(COARSE))
    lacking = "not calibrated; the stated limits are used"
    assert [name for name, text in rows.items() if text == lacking] == [
        "counter's rate",
        "gate spacing",
    ]
    told = (
        "gate B reacts 0.3 us later than gate A, u = 0.1 us, 3 degrees of freedom, "
        "date not given"
    )
    assert rows["sensors' delays"] == told


def test_one_thing_is_told_in_the_singular() -> None:
    assert [count_text(n, "shot") for n in (0, 1, 2)] == ["0 shots", "1 shot", "2 shots"]


@pytest.mark.parametrize(
    ("unit", "kind", "value", "half", "shown"),
    [
        ("ft/s", "length", 1.0, 0.05, "3.45 ft"),  # 3.2808 ft + 0.1640 ft = 3.4449 ft
        ("m/s", "length", 1.0, 0.05, "1.05 m"),
        ("m/s", "length", 1.001, 0.05, "1.06 m"),  # 1.051 m, rounded up
        ("m/s", "acceleration", 980.665, 98.0665, "110 g"),  # 100 g + 10 g
        ("ft/s", "length", 0.6096, 0.0, "2.000 ft"),  # exactly 2 ft
        ("m/s", "length", 0.0002, 0.00002, "220 µm"),
        ("km/h", "length", 1234.5, 65.6, "1310 m"),
    ],
)
def test_a_value_that_is_not_exceeded_is_rounded_up_with_the_digits_of_its_uncertainty(
    unit: str, kind: str, value: float, half: float, shown: str
) -> None:
    assert UserUnits(unit).above(kind, value, half) == shown


@pytest.mark.parametrize(
    ("unit", "kind", "value", "half", "shown"),
    [
        ("m/s", "length", 0.1, 2e-5, "0.100000 ± 0.000020 m"),  # six decimals are shown
        ("m/s", "length", 0.1, 2e-6, "100.0000 ± 0.0020 mm"),  # more are not
        ("ft/s", "length", 0.3048, 0.003048, "1.000 ± 0.010 ft"),
        ("ft/s", "length", 0.3048, 2e-5 * 0.3048, "1.000000 ± 0.000020 ft"),
        ("ft/s", "length", 0.3048, 1e-6, "304.8000 ± 0.0010 mm"),  # a ± too fine for feet
        ("m/s", "length", 2e-8, 1e-9, "20.0 ± 1.0 nm"),
        ("ft/s", "length", 2e-4, 1e-5, "200 ± 10 µm"),  # feet have no small parts
        ("m/s", "acceleration", 9.80665e6, 0.0, "1 million g"),
        ("m/s", "force", 2e8, 0.0, "200 million N"),
    ],
)
def test_a_value_is_shown_in_a_unit_in_which_its_digits_can_be_read(
    unit: str, kind: str, value: float, half: float, shown: str
) -> None:
    assert UserUnits(unit).show(kind, value, half) == shown
