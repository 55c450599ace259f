"""What a report says of a rig: the body, the place and the air, in the units of a workshop."""

from chrono.reports.rig_text import (
    body_text,
    calibration_rows,
    rig_rows,
    rigs_taken_text,
    site_text,
)
from chrono.rigs.rig_file import parse_rig
from chrono.session.pooled_samples import RigBasis, RigsTaken

RIG = """
lines = "framed"
[gates]
spacing = "100 mm"
[clock]
frequency = "16 MHz"
[body]
name = "squash ball"
mass = "24 g"
diameter = "40 mm"
length = "40 mm"
[site]
temperature = "18 degC"
pressure = "1005 hPa"
humidity = "45 %"
altitude = "120 m"
muzzle_distance = "0.5 m"
"""


def test_the_place_is_told_with_its_air_in_usual_units() -> None:
    assert site_text(parse_rig(RIG)) == (
        "500 mm from the launcher's mouth; 18 °C, 1005 hPa, 45 % humidity, 120 m above the sea"
    )


def test_a_setup_s_own_mass_and_length_replace_those_of_the_rig() -> None:
    body = parse_rig(RIG).body
    assert body_text(body) == "squash ball, 24 g, 40 mm across, 40 mm long, round"
    own = {"mass_kg": 0.0236, "length_m": 0.0395}
    assert body_text(body, own) == "squash ball, 23.6 g, 40 mm across, 39.5 mm long, round"


def test_large_numbers_of_a_rig_have_no_power_of_ten() -> None:
    clock = '[clock]\nrate_tolerance = "2 %"'
    rate = '[calibration.clock]\nvalue = "12300 ppm"\nu = "120 ppm"\ndof = 3600\n'
    rig = parse_rig(RIG.replace("[clock]", clock) + rate)

    assert ("counter's rate", "± 20000 ppm") in rig_rows(rig)
    (row,) = (value for name, value in calibration_rows(rig) if name == "counter's rate")
    assert row == "+12300 ppm, u = 120 ppm, 3600 degrees of freedom, date not given"


def test_a_gate_that_reacts_first_is_not_told_to_react_a_negative_time_later() -> None:
    latency = '[calibration.latency]\nvalue = "-1.5 us"\nu = "0.2 us"\n'
    told = dict(calibration_rows(parse_rig(RIG + latency)))["sensors' delays"]

    assert told.startswith("gate B reacts 1.5 us sooner than gate A, u = 0.2 us")
    finer = latency.replace("0.2 us", "0.1234 us")
    told = dict(calibration_rows(parse_rig(RIG + finer)))["sensors' delays"]
    assert "than gate A, u = 0.12 us" in told


def test_of_many_recordings_and_rigs_three_are_named_and_the_others_are_counted() -> None:
    def told(*sizes: int) -> str:
        names = iter("abcdefghijkl")
        recordings = tuple(tuple(next(names) for _ in range(size)) for size in sizes)
        places = tuple(rig for rig, size in enumerate(sizes) for _ in range(size))
        basis = tuple(RigBasis.IDENTITY if size > 1 else RigBasis.ALONE for size in sizes)
        return rigs_taken_text(RigsTaken(places, recordings, basis, given=False))

    assert "have 2 different rigs: a, b, c (same identity); d. If" in told(3, 1)
    assert "have 3 different rigs: a, b, c and 2 more (same identity); f; g. If" in told(
        5, 1, 1
    )
    assert "have 4 different rigs: a, b (same identity); c; d; 1 more rig. If" in told(
        2, 1, 1, 1
    )
    assert "4 different rigs for the 4 recordings." in told(1, 1, 1, 1)
    assert "one rig for all 2 recordings (same identity)." in told(2)
    assert "there is one recording, so there is one rig" in told(1)
