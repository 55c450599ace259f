"""Loops that run as they stand or as machine code, and machine code that is never stale."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import chrono
from chrono.arrays import machine_code

KITS = Path(__file__).parents[1] / "kits"


def total(values):
    """Return a sum that a numpy pass would give as well."""
    result = 0
    for value in values:
        result += value
    return result


@pytest.fixture(name="made")
def _made(monkeypatch):
    """Gather the functions that are made machine code."""
    made = []
    real = machine_code.compiled

    def noted(function):
        made.append(function)
        return real(function)

    monkeypatch.setattr(machine_code, "compiled", noted)
    return made


@pytest.fixture(name="unloaded")
def _unloaded(monkeypatch):
    """Have nothing loaded and nothing said."""
    monkeypatch.setattr(machine_code, "_loaded", False)
    machine_code._say_once.cache_clear()
    yield
    machine_code._say_once.cache_clear()


def run_python(code: str, package: Path) -> subprocess.CompletedProcess:
    """Run a program with the package that lies in a folder."""
    environment = {k: v for k, v in os.environ.items() if k != "NUMBA_CACHE_DIR"}
    environment |= {"PYTHONPATH": f"{package}{os.pathsep}{KITS}"}
    return subprocess.run(
        [sys.executable, "-c", code],
        cwd=package,  # comes first of all on the path
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )


def test_a_loop_runs_as_it_stands_until_machine_code_is_loaded(monkeypatch, made) -> None:
    monkeypatch.setattr(machine_code, "numba_is_loaded", lambda: False)
    assert machine_code.loop(total)(np.arange(1000)) == 499_500
    assert made == []


def test_only_a_long_loop_runs_as_machine_code_and_is_compiled_once(made) -> None:
    machine_code.load_numba()
    run = machine_code.loop(total)
    assert run(np.arange(10)) == 45
    assert made == []
    assert [run(np.arange(1000)), run(np.arange(2000))] == [499_500, 1_999_000]
    assert made == [total]


def test_where_machine_code_cannot_be_kept_it_is_made_all_the_same(monkeypatch) -> None:
    names: dict = {}
    exec("def twice(value):\n    return 2 * value", names)  # of no file
    assert machine_code.compiled(names["twice"])(21) == 42
    monkeypatch.setattr(machine_code, "cache_folder", lambda: None)
    assert machine_code.compiled(total)(np.arange(5)) == 10


# -- when it is loaded ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("work_bytes", "is_there", "loads"),
    [
        (machine_code.WORTH_LOADING_BYTES - 1, True, False),
        (machine_code.WORTH_LOADING_BYTES, True, True),
        (machine_code.WORTH_LOADING_BYTES, False, False),
        (machine_code.WORTH_COMPILING_BYTES - 1, False, False),
        (machine_code.WORTH_COMPILING_BYTES, False, True),
    ],
)
def test_work_and_what_is_kept_decide(
    unloaded, monkeypatch, work_bytes, is_there, loads
) -> None:
    monkeypatch.setattr(machine_code, "is_cached", lambda: is_there)
    machine_code.prepare_loops(work_bytes)
    assert machine_code.numba_is_loaded() == loads


def test_a_program_that_imports_numba_itself_switches_nothing(unloaded) -> None:
    import numba

    assert numba.__version__
    assert not machine_code.numba_is_loaded()


@pytest.mark.parametrize("trouble", [ImportError("no wheel"), OSError("no such library")])
def test_without_numba_loops_run_as_they_stand_and_one_line_says_so(
    unloaded, monkeypatch, made, capsys, trouble
) -> None:
    class Missing:
        def find_spec(self, name, *_others):
            if name == "numba":
                raise trouble

    monkeypatch.delitem(sys.modules, "numba", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    machine_code.load_numba()
    machine_code.load_numba()
    assert not machine_code.numba_is_loaded()
    assert machine_code.loop(total)(np.arange(1000)) == 499_500
    assert made == []
    assert capsys.readouterr().err.count("pip install numba") == 1


# -- machine code that is kept -------------------------------------------------------------

SHOTS_BY_THE_SHORT_WAY = """
import numpy as np
from line_kit import RULES, body, events, shots_of
from chrono.arrays import machine_code
from chrono.processor import pipeline
from chrono.processor.shot_records import EdgesUsed
pipeline.MANY_EDGES = 8
machine_code.load_numba()
shots = shots_of(events([line for k in range(40) for line in body(1.0 + 2 * k, 30.0)]))
print(len(shots), *{EdgesUsed(used).name for used in shots["used"].tolist()})
"""


@pytest.fixture(name="package")
def _package(tmp_path) -> Path:
    """The package, copied to where a test may change it."""
    target = tmp_path / "chrono"
    return shutil.copytree(
        Path(chrono.__file__).parent, target, ignore=shutil.ignore_patterns("__pycache__")
    )


A_SMALL_LOOP = """
import numpy as np
from chrono.arrays import machine_code, small_loop
machine_code.load_numba()
print(machine_code.compiled(small_loop.scaled)(np.ones(5)))
"""


@pytest.mark.long
def test_a_constant_of_another_file_that_changes_makes_machine_code_anew(
    tmp_path, package
) -> None:
    (package / "arrays" / "small_loop.py").write_text(
        "from chrono.arrays.small_constant import FACTOR\n\n\n"
        "def scaled(values):\n    return FACTOR * values.sum()\n"
    )
    constant = package / "arrays" / "small_constant.py"
    for factor, told in ((2, 1), (2, 0), (3, 1)):
        constant.write_text(f"FACTOR = {factor}\n")
        os.utime(constant, (factor, factor))  # Python looks at whole seconds of it
        done = run_python(A_SMALL_LOOP, tmp_path)
        assert float(done.stdout) == 5 * factor
        assert done.stderr.count("compiling the code") == told


@pytest.mark.long
def test_a_constant_of_the_shots_that_changes_makes_their_machine_code_anew(
    tmp_path, package
) -> None:
    first = run_python(SHOTS_BY_THE_SHORT_WAY, tmp_path)
    assert first.stdout.split() == ["40", "BOTH"]
    assert first.stderr.count("compiling the code") == 1
    again = run_python(SHOTS_BY_THE_SHORT_WAY, tmp_path)
    assert (again.stdout, again.stderr) == (first.stdout, "")
    table = package / "processor" / "shot_records.py"
    text = table.read_text("utf-8")
    swapped = text.replace("BOTH = 1\n    LEAD = 2\n", "BOTH = 2\n    LEAD = 1\n")
    assert swapped != text
    table.write_text(swapped, "utf-8")
    changed = run_python(SHOTS_BY_THE_SHORT_WAY, tmp_path)
    assert changed.stdout.split() == ["40", "BOTH"]
    assert changed.stderr.count("compiling the code") == 1


def test_the_hash_sees_names_and_contents_of_all_sources(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(machine_code, "PACKAGE", tmp_path)
    seen = set()
    for name, content in [("a.py", "x = 1"), ("a.py", "x = 2"), ("b/c.py", "")]:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(content)
        seen.add(machine_code.sources_hash.__wrapped__())
    path.rename(tmp_path / "b" / "d.py")
    seen.add(machine_code.sources_hash.__wrapped__())
    assert len(seen) == 4


def test_it_is_kept_elsewhere_where_the_sources_folder_may_not_be_written(
    tmp_path, monkeypatch
) -> None:
    (tmp_path / "a file").touch()
    places = [tmp_path / "a file" / "in it", tmp_path / "home"]
    monkeypatch.setattr(machine_code, "_places", lambda: iter(places))
    assert machine_code.cache_folder.__wrapped__().parent == tmp_path / "home"
    monkeypatch.setattr(machine_code, "_places", lambda: iter(places[:1]))
    assert machine_code.cache_folder.__wrapped__() is None


def test_what_was_kept_of_older_sources_goes(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(machine_code, "_places", lambda: iter([tmp_path]))
    for number in range(7):
        (tmp_path / f"old{number}").mkdir()
        os.utime(tmp_path / f"old{number}", (number, number))
    current = machine_code.cache_folder.__wrapped__()
    assert {path.name for path in tmp_path.iterdir()} == {current.name, "old4", "old5", "old6"}
