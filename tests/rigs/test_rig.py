"""Rig files and rig records: read whole, refused with every reason, written whole."""

import datetime
import json
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.errors import RigError
from chrono.rigs import rig_file as rig_module
from chrono.rigs.line_kinds import LINE_KINDS
from chrono.rigs.rig_file import (
    RigProblems,
    default_rig,
    load_rig,
    parse_rig,
    rig_from_record,
    rig_record,
    update_rig,
    with_clock_rate,
    with_frequency,
    write_rig,
)
from chrono.rigs.starter_rig import starter_text, write_starter

SPACING = '[gates]\nspacing = "300 mm"\n'


def problems(text: str) -> list[str]:
    """Return the problems found in a rig's text, `place: message` each."""
    with pytest.raises(RigError) as error:
        parse_rig(text, "rig.toml")
    found = error.value.problems if isinstance(error.value, RigProblems) else (error.value,)
    assert all(problem.hint for problem in found)
    return [f"{problem.where}: {problem.message}" for problem in found]


def flat(record: dict[str, object], prefix: str = "") -> dict[str, object]:
    """Return a nested record as one level of dotted keys."""
    result: dict[str, object] = {}
    for key, value in record.items():
        if isinstance(value, dict):
            result |= flat(value, f"{prefix}{key}.")
        else:
            result[prefix + key] = value
    return result


def test_every_key_is_read_into_si() -> None:
    rig = parse_rig(
        """
        name = "hall [b]2[/b]"
        identity = "3f9a"
        speed_unit = "km/h"
        lines = "plain"
        [gates]
        spacing = "12 in"
        spacing_tolerance = "0.1 mm"
        trip_tolerance = "50 um"
        tilt_limit = "2 deg"
        latency_mismatch = "300 ns"
        off_centre = "8 mm"
        slope = "30 deg"
        slope_tolerance = "0.5 deg"
        [clock]
        frequency = "8 MHz"
        counter_bits = 24
        rate_tolerance = "0.5 %"
        jitter = "1 us"
        tick = "4 us"
        [body]
        name = "ball"
        mass = "1 oz"
        diameter = "1 in"
        length = "2 in"
        shape = "flat"
        [window]
        slowest = "10 km/h"
        fastest = "100 mph"
        quiet = "1 ms"
        launch = "40 ms"
        [site]
        muzzle_distance = "2 m"
        latitude = "-33 deg"
        altitude = "-10 m"
        temperature = "300 K"
        pressure = "1 bar"
        humidity = "0.5"
        [calibration.clock]
        value = "-120 ppm"
        u = "4 ppm"
        dof = inf
        date = 2025-01-31
        evidence = "beats over 20 minutes"
        [calibration.latency]
        value = "-0.3 us"
        u = "0.05 us"
        dof = 12
        [calibration.spacing]
        value = "304.9 mm"
        u = "0.02 mm"
        covers_trip = true
        """
    )
    expected = {
        "name": "hall [b]2[/b]",
        "identity": "3f9a",
        "speed_unit": "km/h",
        "lines": "plain",
        "gates.spacing_m": 0.3048,
        "gates.spacing_tolerance_m": 1e-4,
        "gates.trip_tolerance_m": 5e-5,
        "gates.tilt_limit_rad": math.radians(2),
        "gates.latency_mismatch_s": 3e-7,
        "gates.off_centre_m": pytest.approx(8e-3),
        "gates.slope_rad": math.radians(30),
        "gates.slope_tolerance_rad": math.radians(0.5),
        "clock.frequency_hz": 8e6,
        "clock.counter_bits": 24,
        "clock.rate_tolerance": 0.005,
        "clock.jitter_s": 1e-6,
        "clock.step_s": 4e-6,
        "clock.from_host": False,
        "body.name": "ball",
        "body.mass_kg": 0.45359237 / 16,
        "body.diameter_m": 0.0254,
        "body.length_m": 0.0508,
        "body.shape": "flat",
        "window.slowest_mps": 10 / 3.6,
        "window.fastest_mps": 44.704,
        "window.quiet_s": 1e-3,
        "window.launch_s": 0.04,
        "site.muzzle_distance_m": 2.0,
        "site.latitude_rad": math.radians(-33),
        "site.altitude_m": -10.0,
        "site.temperature_k": 300.0,
        "site.pressure_pa": 1e5,
        "site.humidity": 0.5,
        "calibration.clock.rate_error": -120e-6,
        "calibration.clock.rate_error_u": 4e-6,
        "calibration.clock.dof": None,
        "calibration.clock.date": "2025-01-31",
        "calibration.clock.evidence": "beats over 20 minutes",
        "calibration.latency.difference_s": -3e-7,
        "calibration.latency.difference_u_s": 5e-8,
        "calibration.latency.dof": 12.0,
        "calibration.latency.date": "",
        "calibration.latency.evidence": "",
        "calibration.spacing.spacing_m": 0.3049,
        "calibration.spacing.spacing_u_m": 2e-5,
        "calibration.spacing.covers_trip": True,
        "calibration.spacing.dof": None,
        "calibration.spacing.date": "",
        "calibration.spacing.evidence": "",
    }

    record = flat(rig_record(rig))

    assert record.keys() == expected.keys()
    for key, value in expected.items():
        wanted = pytest.approx(value, rel=1e-12) if isinstance(value, float) else value
        assert record[key] == wanted, key
    assert rig.spacing_m == pytest.approx(0.3049)
    assert rig.calibration.rate_error == pytest.approx(-120e-6)
    assert rig.calibration.latency_difference_s == pytest.approx(-3e-7)


def test_only_the_spacing_must_be_given() -> None:
    assert parse_rig(SPACING) == default_rig(0.3)


def test_the_starter_says_every_key_at_its_default() -> None:
    written = flat(rig_record(parse_rig(starter_text())))

    defaults = flat(rig_record(default_rig(0.3)))
    assert written.keys() == defaults.keys()
    for key, value in defaults.items():
        close = pytest.approx(value, rel=1e-12) if isinstance(value, float) else value
        assert written[key] == close, key
    text = starter_text()
    for key in ("calibration.clock", "calibration.latency", "calibration.spacing", "tick"):
        assert key in text


@pytest.mark.parametrize("lines", LINE_KINDS)
def test_the_starter_names_the_lines_for_which_a_tick_may_be_set(lines: str) -> None:
    (comment,) = (row for row in starter_text().splitlines() if row.startswith("# tick = "))
    try:
        parse_rig(f'lines = "{lines}"\n{SPACING}[clock]\ntick = "4 us"\n')
        allowed = True
    except RigError:
        allowed = False

    assert (f" {lines} " in comment) == allowed


def test_the_starter_of_a_pico_has_its_clock_and_names_what_rules_instead_of_the_tick() -> None:
    text = starter_text(board="pico")
    rig = parse_rig(text)

    assert (rig.clock.frequency_hz, rig.clock.counter_bits) == (62.5e6, 31)
    assert rig.clock.rate_tolerance == pytest.approx(100e-6)
    assert "16 ns" in text
    assert "latency_mismatch" in text.split("[clock]")[1].split("[body]")[0]


def test_the_starters_calibration_lines_are_valid_once_uncommented() -> None:
    head, tail = starter_text().split("# [calibration.clock]")
    lines = [
        line.removeprefix("#").strip() for line in f"# [calibration.clock]{tail}".split("\n")
    ]
    rig = parse_rig(head + "\n".join(lines))
    assert rig.calibration.clock is not None
    assert rig.calibration.latency is not None
    assert rig.calibration.spacing is not None
    assert rig.calibration.spacing.covers_trip


@pytest.mark.parametrize(
    ("lines", "tick", "unit_s", "tick_s"),
    [
        ("framed", "", 62.5e-9, 62.5e-9),
        ("plain", "", 1e-6, 1e-6),
        ("plain", 'tick = "4 us"', 1e-6, 4e-6),
        ("interval", 'tick = "8 us"', 1e-6, 8e-6),
    ],
)
def test_the_kind_of_lines_gives_counter_unit_and_tick(
    lines: str, tick: str, unit_s: float, tick_s: float
) -> None:
    rig = parse_rig(f'lines = "{lines}"\n{SPACING}[clock]\n{tick}\n')
    assert rig.clock.unit_s == pytest.approx(unit_s)
    assert rig.clock.tick_s == pytest.approx(tick_s)


def test_the_board_s_own_frequency_overrides_the_stated_one() -> None:
    rig = with_frequency(default_rig(), 8_000_000, 24)
    assert rig.clock.tick_s == 125e-9
    assert rig.clock.counter_bits == 24
    assert rig.gates == default_rig().gates


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "rig.toml: gates.spacing is missing"),
        ("[gates]", "rig.toml: gates.spacing is missing"),
        ("gates = 3", "rig.toml:1: gates is 3, but must be a section"),
        (
            '[gates]\nspacing = "300 kg"',
            'rig.toml:2: gates.spacing is "300 kg", but must be a length',
        ),
        (
            "[gates]\nspacing = 300",
            "rig.toml:2: gates.spacing is 300, but must be a length with its unit",
        ),
        (
            '[gates]\nspacing = "-300 mm"',
            'rig.toml:2: gates.spacing is "-300 mm", but must be between 1 mm and 100 m',
        ),
        (
            '[gates]\nspacing = "1e308 m"',
            'rig.toml:2: gates.spacing is "1e308 m", but must be between 1 mm and 100 m',
        ),
        (
            '[gates]\nspacing = "nan mm"',
            'rig.toml:2: gates.spacing is "nan mm", but must be a length',
        ),
        (
            "[gates]\nspacing = inf",
            "rig.toml:2: gates.spacing is inf, but must be a length with its unit",
        ),
        ('[gates]\nspacing = "300 mm"\nspacig = 1', "rig.toml:3: unknown key gates.spacig"),
        (SPACING + "[gate]\nx = 1", "rig.toml:3: unknown key gate"),
        (SPACING + "[clock]\ncounter_bits = 7", "rig.toml:4: clock.counter_bits is 7, "),
        (SPACING + "[clock]\ncounter_bits = true", "rig.toml:4: clock.counter_bits is True, "),
        (SPACING + "[clock]\ncounter_bits = 32.0", "rig.toml:4: clock.counter_bits is 32.0, "),
        (
            SPACING + '[clock]\ntick = "4 us"',
            'rig.toml:4: clock.tick must not be set if lines = "framed"',
        ),
        (
            SPACING + '[window]\nslowest = "200 m/s"\n',
            "rig.toml:4: window.slowest is 200 m/s, but must be below window.fastest, which",
        ),
        (SPACING + '[site]\nhumidity = "140 %"', 'rig.toml:4: site.humidity is "140 %", '),
        (
            SPACING + 'spacing_tolerance = "100 mm"',
            "rig.toml:3: gates.spacing_tolerance is 100",
        ),
        (
            SPACING + "[calibration.clock]\nu = '1 ppm'",
            "rig.toml: calibration.clock.value is m",
        ),
        (
            SPACING + "[calibration.clock]\nu='1 ppm'\nvalue='1 ppm'\ndof=0.5",
            "rig.toml:6: calibration.clock.dof is 0.5, ",
        ),
        (
            'name = "a\\u001b[31m"\n' + SPACING,
            'rig.toml:1: name is "a\\x1b[31m", but must not contain',
        ),
        ('name = "a\\u202eb"\n' + SPACING, "rig.toml:1: name is "),
        ('name = ""\n' + SPACING, 'rig.toml:1: name is "", '),
        ('lines = "plane"\n' + SPACING, 'rig.toml:1: lines is "plane", '),
        ('speed_unit = "kn"\n' + SPACING, 'rig.toml:1: speed_unit is "kn", '),
        ("spacing_m = 0.3\n" + SPACING, "rig.toml:1: unknown key spacing_m"),
        ("[gates]\nspacing_m = 0.3", "rig.toml:2: unknown key gates.spacing_m"),
        ("x = \n", "rig.toml:1: this file is not valid TOML: "),
        ('[gates]\nspacing = "300 mm\n', "rig.toml:2: this file is not valid TOML: "),
        ("[gates\n", "rig.toml:1: this file is not valid TOML: "),
        (SPACING + SPACING, "rig.toml:3: this file is not valid TOML: "),
    ],
)
def test_a_wrong_key_is_told_with_its_place_and_reason(text: str, expected: str) -> None:
    found = problems(text)
    assert any(line.startswith(expected) for line in found), found


def test_a_near_miss_of_a_key_is_named() -> None:
    with pytest.raises(RigError) as error:
        parse_rig(SPACING + 'tilt_limt = "1 deg"')
    assert error.value.hint == "did you mean tilt_limit?"


def test_all_problems_of_one_file_are_told_at_once_in_its_order() -> None:
    text = (
        'lines = "plane"\n[gates]\nspacing = "300 kg"\ntilt_limit = """\n50 deg"""\n'
        "[clock]\nfrequency = 16\ncounter_bits = 7\n"
        '[window]\nslowest = "300 m/s"\n[site]\ntemperature = "-300 degC"\n'
    )
    places = [line.split(": ")[0] for line in problems(text)]
    assert places == [f"rig.toml:{line}" for line in (1, 3, 4, 7, 8, 10, 12)]


def test_several_problems_print_one_below_the_other() -> None:
    with pytest.raises(RigProblems) as error:
        parse_rig('lines = "plane"\n[gates]\nspacing = 3\n', "rig.toml")
    lines = str(error.value).split("\n")
    assert [line.startswith("  do: ") for line in lines] == [False, True, False, True]


KEY = st.sampled_from(["spacing", "gates", "clock", "name", "x", '"a b"', "gates.spacing"])
VALUE = st.sampled_from(
    ['"300 mm"', "3", "[1, 2]", "{a = 1}", '"""\n[gates]\nx = 1\n"""', "inf"]
)
LINE = st.one_of(
    st.builds("{} = {}".format, KEY, VALUE),
    st.builds("[{}]".format, KEY),
    st.sampled_from(["", "# gates", "[[gates]]", "[calibration.clock]"]),
)


@given(st.lists(LINE, max_size=8).map("\n".join))
def test_a_line_number_is_true_or_absent(text: str) -> None:
    try:
        parse_rig(text, "rig.toml")
    except RigError as error:
        found = error.problems if isinstance(error, RigProblems) else (error,)
        for problem in found:
            place, _, number = problem.where.partition(":")
            assert place == "rig.toml"
            if number and "not valid TOML" not in problem.message:
                key = problem.message.removeprefix("unknown key ").split(" ")[0].split(".")[-1]
                assert key.strip('"')[:2] in text.split("\n")[int(number) - 1]


@given(content=st.binary(max_size=200))
def test_any_bytes_are_a_rig_or_are_refused(
    content: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(content)
    with pytest.raises(RigError):
        load_rig(path)


def test_a_file_that_is_missing_a_folder_or_too_long_is_refused(tmp_path: Path) -> None:
    long = tmp_path / "long.toml"
    long.write_text("#" * 70_000)
    for path in (tmp_path / "none.toml", tmp_path, long):
        with pytest.raises(RigError) as error:
            load_rig(path)
        assert str(path) in str(error.value)
        assert "\n  do: " in str(error.value)


def test_a_byte_order_mark_and_foreign_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SPACING.replace("\n", "\r\n").encode())
    assert load_rig(path) == default_rig(0.3)


@given(
    st.floats(1e-3, 70),
    st.floats(0, 0.2),
    st.floats(1e3, 1e10),
    st.floats(-0.2, 0.2),
    st.floats(1, 1e6),
)
def test_a_record_gives_back_the_same_floats(
    spacing: float, tolerance: float, frequency: float, error: float, dof: float
) -> None:
    rig = rig_from_record(
        {
            "gates": {
                "spacing_m": spacing,
                "spacing_tolerance_m": 0.0,
                "trip_tolerance_m": spacing / 7,
            },
            "clock": {"frequency_hz": frequency, "rate_tolerance": tolerance},
            "calibration": {
                "clock": {"rate_error": error, "rate_error_u": tolerance, "dof": dof}
            },
        }
    )
    again = rig_from_record(json.loads(json.dumps(rig_record(rig), allow_nan=False)))
    assert again == rig
    assert rig_record(again) == rig_record(rig)
    assert again.clock.tick_s == rig.clock.tick_s


@pytest.mark.parametrize(
    "record",
    [
        {},
        {"gates": {}},
        {"gates": {"spacing_m": "300 mm"}},
        {"gates": {"spacing_m": math.nan}},
        {"gates": {"spacing_m": True}},
        {"gates": {"spacing": 0.3}},
        {"gates": {"spacing_m": 0.3}, "clock": {"counter_bits": "32"}},
        {"gates": {"spacing_m": 10**400}},
        {"gates": [1], "x": 3},
    ],
)
def test_a_record_of_something_else_is_refused(record: dict[str, object]) -> None:
    with pytest.raises(RigError):
        rig_from_record(record, "row 2")


def test_a_new_rig_file_is_written_and_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    write_starter(path)
    before = path.read_bytes()

    with pytest.raises(RigError, match="already exists"):
        write_rig(path, SPACING)

    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["rig.toml"]
    assert load_rig(path).gates.spacing_m == pytest.approx(0.3)


def test_each_new_rig_file_has_an_identity_of_its_own_and_keeps_it(tmp_path: Path) -> None:
    first, second = (write_starter(tmp_path / f"{n}.toml") for n in range(2))
    assert first.identity != second.identity
    assert len(first.identity) == 12

    update_rig(
        tmp_path / "0.toml",
        {
            "calibration.latency.value": "0.3 us",
            "calibration.latency.u": "0.05 us",
            "name": "hall",
        },
    )

    again = load_rig(tmp_path / "0.toml")
    assert again.name == "hall"
    assert again.calibration.latency is not None
    assert again.identity == first.identity
    for changed in (with_frequency(again, 8e6, 32), with_clock_rate(again, 1e-6, 1e-7, 9.0)):
        assert changed.identity == first.identity


def test_a_text_that_is_no_rig_is_not_written(tmp_path: Path) -> None:
    with pytest.raises(RigError):
        write_rig(tmp_path / "rig.toml", "[gates]")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(RigError, match="cannot be written"):
        write_rig(tmp_path / "none" / "rig.toml", SPACING)


def test_an_update_keeps_comments_and_a_copy_of_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    text = '# mine\n[gates]\nspacing = "300 mm"   # by rule\n\n[clock]\njitter = "1 us"\n'
    path.write_text(text)
    changes = {
        "gates.spacing": "300.2 mm",
        "calibration.clock.value": "-12 ppm",
        "calibration.clock.u": "3 ppm",
        "calibration.clock.dof": 18.5,
        "calibration.clock.date": datetime.date(2025, 1, 31),
    }

    first = update_rig(path, changes)
    second = update_rig(path, {"calibration.clock.u": "2 ppm"})

    day = datetime.date.today().isoformat()
    assert first.name == f"rig.toml.before-{day}"
    assert second.name == f"rig.toml.before-{day}-2"
    assert first.read_text() == text
    assert "# mine" in path.read_text()
    assert '"300.2 mm"   # by rule' in path.read_text()
    rig = load_rig(path)
    assert rig.calibration.clock.rate_error_u == pytest.approx(2e-6)
    assert load_rig(second).calibration.clock.rate_error_u == pytest.approx(3e-6)
    assert rig.clock.jitter_s == pytest.approx(1e-6)
    assert len(list(tmp_path.iterdir())) == 3


def test_an_update_that_would_spoil_the_rig_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(SPACING)
    for changes in (
        {"gates.spacing": "3 kg"},
        {"gates.nothing": "x"},
        {"gates.spacing.x": "1"},
    ):
        with pytest.raises(RigError):
            update_rig(path, changes)
    assert path.read_text() == SPACING
    assert [p.name for p in tmp_path.iterdir()] == ["rig.toml"]


def test_a_failing_disk_leaves_the_old_rig_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(SPACING)
    calls = []

    def fail_second(handle: int) -> None:
        calls.append(handle)
        if len(calls) == 2:  # the first is the copy's
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(rig_module.os, "fsync", fail_second)
    with pytest.raises(RigError, match="No space left"):
        update_rig(path, {"gates.spacing": "301 mm"})

    assert path.read_text() == SPACING
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(".")]


def test_an_update_through_a_link_changes_the_file_behind_it(tmp_path: Path) -> None:
    path, link = tmp_path / "rig.toml", tmp_path / "link.toml"
    path.write_text(SPACING)
    path.chmod(0o640)
    link.symlink_to(path)
    update_rig(link, {"gates.spacing": "301 mm"})
    assert link.is_symlink()
    assert load_rig(path).gates.spacing_m == pytest.approx(0.301)
    assert path.stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize(
    ("text", "degrees"),
    [("level", 0), ("down", 90), (" Up ", -90), ("90 deg", 90), ("-90 deg", -90)],
)
def test_a_slope_is_an_angle_or_a_word(text: str, degrees: float) -> None:
    rig = parse_rig(f'[gates]\nspacing = "300 mm"\nslope = "{text}"')
    assert rig.gates.slope_rad == pytest.approx(math.radians(degrees), abs=1e-12)
    assert rig_from_record(rig_record(rig)) == rig


@pytest.mark.parametrize("text", ["91 deg", "sideways", "3 mm"])
def test_another_slope_is_refused_with_its_key(text: str) -> None:
    with pytest.raises(RigError, match=r"gates\.slope is"):
        parse_rig(f'[gates]\nspacing = "300 mm"\nslope = "{text}"')


def test_a_record_without_a_slope_is_level() -> None:
    gates = rig_from_record({"gates": {"spacing_m": 0.3}}).gates
    assert (gates.slope_rad, gates.slope_tolerance_rad) == (0.0, math.radians(2))
