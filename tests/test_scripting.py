"""The door for scripts: what it gives is what the commands give, in the shape of pandas."""

import doctest
import json
import math
import re
import shutil
import subprocess
import sys
import tomllib
import warnings
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

import chrono as door
from chrono import scripting
from chrono.errors import OptionError, RigError
from chrono.reports.export_table import COLUMNS, TEXT_COLUMNS
from chrono.rigs.rig_file import rig_record
from chrono.rigs.starter_rig import starter_text

HOUSE = Path(__file__).parents[1]
BANDS = HOUSE / "recordings" / "two-and-three-bands.tsv"
HALL = HOUSE / "recordings" / "noisy-hall.tsv"
with_a_lamp = pytest.mark.filterwarnings("ignore:.*in the rhythm of a lamp:UserWarning")


@pytest.fixture(name="folder")
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Enter a folder with the files that the examples name."""
    shutil.copy(BANDS, tmp_path / "monday.tsv")
    shutil.copy(HALL, tmp_path / "tuesday.tsv")
    (tmp_path / "rig.toml").write_text(starter_text(), "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def with_head(path: Path, head: dict[str, object]) -> Path:
    """Give a recording another first record."""
    first, rest = path.read_bytes().split(b"\n", 2)[0], path.read_bytes().split(b"\n", 2)[2]
    path.write_bytes(first + b"\n0\tfile\t" + json.dumps(head).encode() + b"\n" + rest)
    return path


@with_a_lamp
@pytest.mark.parametrize("name", ["monday.tsv", "tuesday.tsv"])
def test_the_frame_is_the_export_with_shots_as_index(chrono, folder, name) -> None:
    shots = door.read(name).shots

    chrono("export", name, "-o", "out.csv")
    texts = dict.fromkeys(TEXT_COLUMNS, pd.StringDtype("python"))
    exported = pd.read_csv(
        "out.csv",
        index_col="shot",
        dtype=texts,
        keep_default_na=False,
        na_values={c: "" for c in COLUMNS if c.endswith(("_mps", "_mm"))} | {"transit_us": ""},
    )
    exported = exported.rename(columns={"flags": "shot_flags"})
    exported["time_utc"] = pd.to_datetime(exported["time_utc"]).dt.as_unit("us")
    in_frame = ["shot_flags" if c == "flags" else c for c in COLUMNS if c != "shot"]
    assert list(shots.columns) == in_frame
    assert_frame_equal(shots, exported, check_exact=True)


def test_a_lamp_is_warned_of(folder) -> None:
    with pytest.warns(UserWarning, match="783 times in the rhythm of a lamp"):
        door.read("tuesday.tsv")


@with_a_lamp
def test_dtypes_are_sound_and_units_are_stated(folder) -> None:
    shots = door.read("tuesday.tsv").shots
    kinds = {name: str(dtype) for name, dtype in shots.dtypes.items()}
    assert shots["setup"].dtype == pd.StringDtype("python")  # with pyarrow and without
    assert kinds.pop("counted") == "bool"
    assert kinds.pop("time_utc") == "datetime64[us, UTC]"
    texts = {name for name, kind in kinds.items() if kind == "string"}
    assert texts == {"recording", "setup", "edges_used", "shot_flags", "note"}
    assert {kinds[name] for name in kinds.keys() - texts} == {"float64"}
    assert shots.attrs["units"] == {
        "time_s": "s",
        "speed_mps": "m/s",
        "u_mps": "m/s",
        "U95_mps": "m/s",
        "u_random_mps": "m/s",
        "u_shared_mps": "m/s",
        "transit_us": "us",
        "body_length_mm": "mm",
        "companion_speed_mps": "m/s",
    }
    assert shots.index.name == "shot"
    assert shots.index.tolist() == list(range(1, 41))


def test_wall_clock_time_is_utc(folder) -> None:
    # The recording states 14:00 two hours east of Greenwich.
    first = door.read("monday.tsv").shots.iloc[0]
    assert first["time_s"] == 1.343517
    assert first["time_utc"] == pd.Timestamp("2025-05-16 12:00:01.343517", tz="UTC")


@pytest.mark.parametrize("head", [{"start": "2025-05-16T14:00:00"}, {"start": "noon"}, {}])
def test_a_start_without_an_offset_gives_no_wall_clock_time(folder, head) -> None:
    with_head(folder / "monday.tsv", head)
    shots = door.read("monday.tsv").shots
    assert shots["time_utc"].isna().all()
    assert str(shots["time_utc"].dtype) == "datetime64[us, UTC]"


def test_a_text_and_a_path_name_the_same_recording(folder) -> None:
    by_text, by_path = door.read("monday.tsv"), door.read(folder / "monday.tsv")
    assert_frame_equal(by_text.shots, by_path.shots)
    assert repr(by_text) == "<Recording monday.tsv: 40 shots, 40 counted>"


@pytest.mark.parametrize("shape", ["file", "path", "rig", "as a file has it", "record"])
def test_another_rig_measures_again(folder, shape) -> None:
    text = starter_text(spacing="600 mm")
    (folder / "wide.toml").write_text(text, "utf-8")
    wide = door.rig("wide.toml")
    other = {
        "file": "wide.toml",
        "path": folder / "wide.toml",
        "rig": wide,
        "as a file has it": {"gates": {"spacing": "600 mm"}},
        "record": rig_record(wide),
    }[shape]

    again = door.read("monday.tsv", rig=other)

    ratio = again.shots["speed_mps"] / door.read("monday.tsv").shots["speed_mps"]
    # but for drag, which slows a body more on twice the way
    assert np.allclose(ratio, 2, rtol=1e-5)
    assert again.rig.gates.spacing_m == 0.6
    assert again.rig.clock.frequency_hz == 16e6


def test_rig_setups_and_summary_are_those_of_the_recording(chrono, folder) -> None:
    monday = door.read("monday.tsv")
    stated = json.loads(chrono("summary", "monday.tsv", "--json").out)[0]

    assert monday.rig.name == stated["rig"]
    assert monday.rig.gates.spacing_m == 0.3
    assert monday.started == stated["started"]
    assert {name: setup.conditions for name, setup in monday.setups.items()} == {
        setup["setup"]: setup["conditions"] for setup in stated["setups"]
    }
    table = monday.summary()
    assert table.index.tolist() == ["two bands", "three bands"]
    for setup in stated["setups"]:
        for name in ("counted", "mean_mps", "U95_mean_mps", "s_mps", "muzzle_mps"):
            assert table.loc[setup["setup"], name] == setup[name]
    units = table.attrs["units"]
    assert units["U95_mean_mps"] == "m/s"
    assert units["momentum_Ns"] == "N s"
    assert units["length_at_a_m"] == "m"
    numbers = {"counted", "k", "dof", "random_dof", "mach", "normal_p", "muzzle_reynolds"}
    assert set(table.columns) - set(units) == numbers | {"slowest_shot", "fastest_shot"}


def test_whoever_changes_a_summary_changes_only_that_copy(folder) -> None:
    monday = door.read("monday.tsv")
    table = monday.summary()
    table["mean_mps"] = 0.0
    assert (monday.summary()["mean_mps"] > 20).all()


@with_a_lamp
def test_several_recordings_give_one_frame(folder) -> None:
    both = door.read(path for path in ["tuesday.tsv", folder / "monday.tsv"])
    shots = both.shots
    assert shots["recording"].tolist() == ["tuesday.tsv"] * 40 + ["monday.tsv"] * 40
    assert shots.loc[1, "recording"].tolist() == ["tuesday.tsv", "monday.tsv"]
    assert_frame_equal(door.read("monday.tsv").shots, shots.iloc[40:])
    assert shots.attrs["units"]["speed_mps"] == "m/s"
    table = both.summary()
    assert table["recording"].tolist() == ["tuesday.tsv"] * 2 + ["monday.tsv"] * 2
    assert table["counted"].tolist()[2:] == [20, 20]
    assert [each.name for each in both] == ["tuesday.tsv", "monday.tsv"]
    assert len(door.read(["monday.tsv"]).shots) == 40


def test_no_recording_at_all_is_refused(folder) -> None:
    with pytest.raises(OptionError, match="no recording was given"):
        door.read(folder.glob("*.nothing"))


def test_a_recording_without_shots_gives_an_empty_frame(folder) -> None:
    rows = BANDS.read_bytes().splitlines(keepends=True)
    (folder / "none.tsv").write_bytes(b"".join(rows[:3]))
    empty, full = door.read("none.tsv"), door.read("monday.tsv")
    assert len(empty.shots) == 0
    assert empty.shots.dtypes.to_dict() == full.shots.dtypes.to_dict()
    assert empty.summary().empty
    assert repr(empty) == "<Recording none.tsv: 0 shots, 0 counted>"
    both = door.read(["none.tsv", "monday.tsv"])
    assert_frame_equal(both.shots, full.shots)


def test_damage_is_counted_shown_and_warned_of(folder) -> None:
    rows = (folder / "monday.tsv").read_bytes().splitlines(keepends=True)
    hurt = next(n for n, row in enumerate(rows) if n > 20 and b"\tboard\tT " in row)
    rows[hurt] = rows[hurt].replace(b"T ", b"T!", 1)
    (folder / "hurt.tsv").write_bytes(b"".join(rows) + b"12\tboard\tE 00")

    with pytest.warns(UserWarning, match=r"hurt.tsv: ") as told:
        hurt_one = door.read("hurt.tsv")

    damage = hurt_one.damage
    assert damage
    assert damage.damaged_lines == 1
    assert [sample.row for sample in damage.samples] == [hurt]
    assert damage.left_out
    assert f"incomplete end of the recording: {damage.left_out}" in damage.words
    assert "1 damaged line, not used" in str(damage)
    assert str(damage) in repr(hurt_one)
    assert told[0].filename == __file__
    sound = door.read("monday.tsv").damage
    assert not sound
    assert str(sound) == ""


def test_files_are_refused_as_the_commands_refuse_them(folder) -> None:
    (folder / "other.tsv").write_text("no recording\n")
    with pytest.raises(door.ChronoError, match=r"other\.tsv"):
        door.read("other.tsv")
    with pytest.raises(OptionError, match="named twice"):
        door.read(["monday.tsv", folder / "monday.tsv"])


@pytest.mark.parametrize(
    ("edges", "lost"), [("both", None), ("lead", b" A 0 "), ("trail", b" A 1 ")]
)
def test_transits_give_the_speeds_of_the_recording(tmp_path, edges, lost) -> None:
    rows = BANDS.read_bytes().splitlines(keepends=True)
    path = tmp_path / "lost.tsv"
    path.write_bytes(b"".join(row for row in rows if lost is None or lost not in row))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of the lost lines
        recording = door.read(path)
    shots = recording.shots
    assert len(shots) == 40
    assert set(shots["edges_used"]) == {edges}
    found = door.measure(shots["transit_us"] * 1e-6, recording.rig, edges=edges)
    assert found.index.equals(shots.index)
    for name in found.columns:
        assert np.allclose(found[name], shots[name], rtol=1e-6, atol=1e-6), name
    assert list(found.columns) == [
        "speed_mps",
        "u_mps",
        "U95_mps",
        "u_random_mps",
        "u_shared_mps",
    ]
    assert found.attrs["units"] == dict.fromkeys(found.columns, "m/s")


def test_a_transit_need_not_be_a_whole_number_of_ticks() -> None:
    gates = {"gates": {"spacing": "300 mm", "tilt_limit": "0 deg"}, "body": {"mass": "1 t"}}
    gates["gates"]["slope_tolerance"] = "0 deg"
    transit_s = np.array([math.pi * 1e-3, math.e * 1e-2])
    speeds = door.measure(transit_s, gates)["speed_mps"]
    assert np.allclose(speeds, 0.3 / transit_s, rtol=1e-11)


def test_what_is_no_transit_has_no_speed() -> None:
    found = door.measure([0.01, math.nan, 0, -1, -math.inf], {"gates": {"spacing": "300 mm"}})
    assert np.isfinite(found).all(axis=1).tolist() == [True, False, False, False, False]
    assert found.iloc[1:].isna().all(axis=None)
    assert len(door.measure([], {"gates": {"spacing": "300 mm"}})) == 0


@pytest.mark.parametrize(
    ("transits", "words"),
    [
        ([6667.0], "an hour"),
        (["6.667 ms"], "numbers"),
        (0.01, "dimensions"),
        ([[0.01], [0.02]], "dimensions"),
        ([math.inf], "an hour"),
    ],
)
def test_transits_that_cannot_be_meant_are_refused(transits, words) -> None:
    with pytest.raises(OptionError, match=words) as refused:
        door.measure(transits, {"gates": {"spacing": "300 mm"}})
    assert refused.value.hint


def test_a_choice_of_edges_that_is_none_is_refused() -> None:
    with pytest.raises(OptionError, match="'first' is not a valid choice"):
        door.measure([0.01], {"gates": {"spacing": "300 mm"}}, edges="first")


@pytest.mark.parametrize(
    ("description", "words"),
    [
        ({}, r"gates\.spacing is missing"),
        (
            {"gates": {"spacing": 300}},
            r"gates\.spacing is 300, but must be a length with its unit",
        ),
        ({"gates": {"spacing_m": "300 mm"}}, "a length"),
        ({"gates": {"spacing": "300 mm"}, "colour": "red"}, "unknown key colour"),
        ("nowhere.toml", "this rig file does not exist"),
    ],
)
def test_a_wrong_rig_is_refused_with_its_key(folder, description, words) -> None:
    with pytest.raises(RigError, match=words):
        door.rig(description)


def test_a_rig_as_a_dict_is_the_rig_of_the_file(folder) -> None:
    assert door.rig(tomllib.loads(starter_text())) == door.rig("rig.toml")
    assert door.rig(door.rig("rig.toml")) == door.rig(Path("rig.toml"))


def test_the_docstrings_examples_run(folder) -> None:
    found = doctest.testmod(scripting, optionflags=doctest.NORMALIZE_WHITESPACE)
    assert found.attempted >= 25
    assert found.failed == 0
    assert doctest.testmod(door) == (0, 2)


def test_the_examples_of_cached_properties_run(folder) -> None:
    """Before Python 3.13 doctest does not find them by itself."""
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    for name, each in vars(door.Recording).items():
        if isinstance(each, cached_property):
            for test in doctest.DocTestFinder().find(each.func, name, globs={}):
                runner.run(test)
    assert runner.tries >= 3
    assert runner.failures == 0


@with_a_lamp
@pytest.mark.parametrize(
    ("page", "number"), [("README.md", 5), ("chrono/guide/notebook.md", 10)]
)
def test_the_lines_of_a_page_run(page: str, number: int, folder, capsys) -> None:
    text = (HOUSE / page).read_text("utf-8")
    blocks = re.findall(r"<!-- script -->\n```python\n(.*?)```", text, re.DOTALL)
    assert len([line for line in blocks[0].splitlines() if line.strip()]) == number
    for block in blocks:
        names: dict[str, object] = {}
        exec(compile(block, page, "exec"), names)
        assert capsys.readouterr().out
        stated = re.findall(r"^(\w+) = ", block, re.MULTILINE)
        assert set(stated) <= names.keys()


def frames(recording: door.Recording) -> list[pd.DataFrame]:
    compared = door.compare(recording)
    every = [recording.shots, recording.summary(), recording.edges]
    every += [compared.pairs, compared.setups, door.Recordings([recording]).summary()]
    return [*every, door.measure([0.01], recording.rig)]


@with_a_lamp
def test_no_column_is_named_like_an_attribute_of_a_frame(folder) -> None:
    for frame in frames(door.read("tuesday.tsv")):
        clash = [name for name in frame.columns if hasattr(pd.DataFrame, str(name))]
        assert not clash
    shots = door.read("tuesday.tsv").shots
    assert shots.shot_flags.tolist() == shots["shot_flags"].tolist()


@with_a_lamp
def test_the_old_name_of_the_flags_still_works_in_brackets(folder) -> None:
    shots = door.read("tuesday.tsv").shots
    assert shots["flags"].equals(shots["shot_flags"])
    assert len(shots[shots["flags"].str.contains("companion")]) == 36
    assert type(shots[shots.counted]) is pd.DataFrame
    both = door.read(["monday.tsv", "tuesday.tsv"]).shots
    assert len(both["flags"]) == 80
    with pytest.raises(KeyError):
        _ = shots["colour"]


@with_a_lamp
def test_a_comparison_says_what_the_command_says(chrono, folder) -> None:
    both = ["monday.tsv", "tuesday.tsv"]
    for files, words in (([both[0]], []), (both, []), (both, ["--pool"])):
        compared = door.compare(files, pool=bool(words))
        assert str(compared) == chrono("compare", *files, *words).out.rstrip("\n")
        data = json.loads(chrono("compare", *files, *words, "--json").out)
        assert list(compared.headline) == data["headline"]
        assert len(compared.pairs) == len(data["pairs"])
        for row, pair in zip(compared.pairs.to_dict("records"), data["pairs"], strict=True):
            assert row["first_setup"] == pair["first"]
            assert row["difference_mps"] == pair["difference"]["difference_mps"]
            assert row["settled"] == pair["settled"]
            plain = pair["without_drift"]
            if plain:
                assert row["without_drift_U95_mps"] == plain["U95_mps"]
        assert compared.setups.index.tolist() == [each["setup"] for each in data["setups"]]
    assert compared.pairs.attrs["units"]["difference_mps"] == "m/s"
    read = [door.read(name) for name in both]
    assert str(door.compare(read)) == str(door.compare(both))
    for word, is_one in (("one", True), ("each", False)):
        told = chrono("compare", *both, "--rigs", word).out.rstrip("\n")
        assert door.compare(both, one_rig=is_one).text == told
    assert door.compare(both, one_rig=True).text != told


def test_what_cannot_be_compared_is_said_or_refused(folder) -> None:
    rows = BANDS.read_bytes().splitlines(keepends=True)
    (folder / "none.tsv").write_bytes(b"".join(rows[:3]))
    alone = door.compare("none.tsv")
    assert alone.pairs.empty
    assert alone.headline == ()
    assert "nothing to compare" in repr(alone)
    assert alone._repr_html_() is not None
    with pytest.raises(OptionError, match="already has its rig"):
        door.compare([door.read("monday.tsv"), "tuesday.tsv"])
    with pytest.raises(OptionError, match="no recording was given"):
        door.compare([])


@with_a_lamp
def test_a_plot_draws_into_the_axes_that_are_given(folder) -> None:
    from matplotlib.figure import Figure

    ours = Figure().subplots()
    axes = door.read("tuesday.tsv").plot(ax=ours)
    assert axes is ours
    words = [text.get_text() for text in axes.get_legend().get_texts()]
    assert [word.split(":")[0] for word in words] == ["2 bar", "3 bar"]
    drawn = np.concatenate([line.get_ydata() for line in axes.lines])
    assert np.isin(door.read("tuesday.tsv").shots.speed_mps, drawn.round(6)).all()


def test_a_plot_without_shots_or_matplotlib_is_refused(folder, monkeypatch) -> None:
    rows = BANDS.read_bytes().splitlines(keepends=True)
    (folder / "none.tsv").write_bytes(b"".join(rows[:3]))
    with pytest.raises(OptionError, match="no shot has a speed"):
        door.read("none.tsv").plot()
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(OptionError, match="needs matplotlib") as refused:
        door.read("monday.tsv").plot()
    assert "pip install" in (refused.value.hint or "")


def test_a_name_with_signs_of_formulas_or_tags_is_shown_as_it_is(folder) -> None:
    text = (folder / "monday.tsv").read_text("utf-8")
    (folder / "x.tsv").write_text(text.replace("two bands", "$\\\\frac <b>&"), "utf-8")
    recording = door.read("x.tsv")
    axes = recording.plot()
    axes.figure.canvas.draw()
    assert "<b>" not in recording._repr_html_()
    assert "&lt;b&gt;&amp;" in recording._repr_html_()
    assert "<b>" not in door.compare(recording)._repr_html_()


@pytest.mark.long
def test_the_notebook_like_script_runs(folder) -> None:
    script = HOUSE / "tests" / "notebook.py"
    assert len(script.read_text("utf-8").splitlines()) <= 60
    for name in ("monday.tsv", "tuesday.tsv"):
        done = subprocess.run(
            [sys.executable, script, name, "."], capture_output=True, text=True, check=True
        )
        assert "is faster than" in done.stdout
        picture = folder / "speeds.png"
        assert picture.read_bytes().startswith(b"\x89PNG")
        picture.unlink()


def test_every_public_name_is_there_and_documented() -> None:
    assert dir(door) == sorted(door.__all__)
    for name in door.__all__:
        assert getattr(door, name).__doc__
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = door.nothing
    assert (HOUSE / "chrono" / "py.typed").is_file()


def test_importing_costs_nothing_until_something_is_used() -> None:
    code = (
        "import sys, time; begin = time.process_time(); import chrono; "
        "print(time.process_time() - begin, *{'numpy', 'pandas', 'pint'} & set(sys.modules))"
    )
    found = [
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        for _ in range(3)
    ]
    taken_s = [float(each.stdout) for each in found]  # a name of a library would be no number
    assert min(taken_s) < 0.05


@pytest.mark.parametrize("late_us", [-20.0, 20.0])
def test_a_gate_b_that_answers_late_makes_true_transits_shorter(late_us: float) -> None:
    gates = {
        "gates": {"spacing": "300 mm", "tilt_limit": "0 deg"},
        "body": {"mass": "1 t"},
        "calibration": {"latency": {"value": f"{late_us} us", "u": "1 us"}},
    }
    # 0.3 m in 10 ms; gate B's edge comes later by its latency, so the board counts more.
    speed = door.measure([0.010 + late_us * 1e-6], gates)["speed_mps"]
    assert speed[0] == pytest.approx(30.0, rel=1e-9)
