"""What a report says of a rig: the body, the place and the air, in the units of a workshop."""

from chrono.reports.rig_text import body_text, site_text
from chrono.rigs.rig_file import parse_rig

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
