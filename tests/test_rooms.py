"""The house: imports run one way, files and functions stay short, rooms say what they hold."""

import ast
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import grimp
import pytest

HOUSE = Path(__file__).parents[1]
LINT = "from importlinter.cli import lint_imports_command; lint_imports_command()"


def lint(house: Path) -> subprocess.CompletedProcess[str]:
    """Hold a copy of the house to its contracts, in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", LINT, "--no-cache"],
        cwd=house,
        env={"PYTHONPATH": str(house), "PATH": "", "PYTHONUTF8": "1"},
        capture_output=True,
        text=True,
    )


@pytest.fixture(scope="module")
def copy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    house = tmp_path_factory.mktemp("house")
    shutil.copy(HOUSE / "pyproject.toml", house)
    shutil.copytree(
        HOUSE / "chrono", house / "chrono", ignore=shutil.ignore_patterns("__pycache__")
    )
    return house


@pytest.mark.parametrize(("contract", "allowed"), [(2, "dashboard"), (3, "virtual")])
def test_a_contract_that_forbids_names_every_room(contract: int, allowed: str) -> None:
    settings = tomllib.loads((HOUSE / "pyproject.toml").read_text("utf-8"))
    named = settings["tool"]["importlinter"]["contracts"][contract]["source_modules"]
    rooms = {f"chrono.{path.stem}" for path in (HOUSE / "chrono").glob("[a-z]*")}
    assert rooms - {f"chrono.{allowed}", "chrono.py"} == set(named)


def test_the_house_keeps_its_contracts(copy: Path) -> None:
    found = lint(copy)
    assert found.returncode == 0, found.stdout
    assert "0 broken" in found.stdout


@pytest.mark.parametrize(
    ("file", "planted", "broken"),
    [
        ("reader/rows.py", "import chrono.session.session", "run one way"),
        ("processor/rules.py", "import chrono.reader.rows", "no reader"),
        ("reader/framing.py", "import chrono.processor.rules", "no processor"),
        ("reports/words.py", "import textual.app", "Textual"),
        ("commands/rig.py", "import textual.app", "Textual"),
        ("session/live.py", "import chrono.virtual.board", "virtual board"),
        ("commands/clocking.py", "import chrono.virtual.board", "virtual board"),
    ],
)
def test_an_import_the_wrong_way_breaks_a_contract(
    copy: Path, file: str, planted: str, broken: str
) -> None:
    path = copy / "chrono" / file
    sound = path.read_text("utf-8")
    path.write_text(f"{sound}\n\ndef _planted():\n    {planted}\n", "utf-8")
    try:
        found = lint(copy)
    finally:
        path.write_text(sound, "utf-8")
    assert found.returncode == 1, found.stdout
    names = [line for line in found.stdout.splitlines() if " BROKEN" in line]
    assert any(broken in name for name in names), found.stdout


def test_no_file_imports_itself_by_way_of_others() -> None:
    graph = grimp.build_graph("chrono", cache_dir=None)
    imports = {
        file: graph.find_modules_directly_imported_by(file) - {"chrono"}
        for file in graph.modules
    }
    assert len(imports) > 100
    try:
        TopologicalSorter(imports).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


MOST_LINES = 450
MOST_LINES_OF_FUNCTION = 40
LONGER_FILES = {
    "dashboard/dashboard_app.py": "the application, its start and its screens' loading",
}
"""Files that may be longer, each with its reason."""

LONGER_FUNCTIONS = {
    "commands/calibrate.py:calibrate_swap": "a third of it states the command's options",
    "commands/energy.py:energy": "two thirds of it state the command's options",
    "commands/fall.py:fall": "half of it states the command's options",
    "commands/flight.py:flight": "two thirds of it state the command's options",
    "commands/lab.py:lab": "half of it states the command's options",
    "commands/stop.py:stop": "two thirds of it state the command's options",
}
"""Functions that may be longer, each with its reason."""


def functions(file: Path) -> Iterator[tuple[str, int]]:
    """Yield the functions of a file and how many lines they take without their docstrings."""
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or 0) - node.lineno + 1
            first = node.body[0]
            if ast.get_docstring(node, clean=False) is not None:
                lines -= (first.end_lineno or 0) - first.lineno + 1
            yield f"{name_of(file)}:{node.name}", lines


def name_of(file: Path) -> str:
    return file.relative_to(HOUSE / "chrono").as_posix()


FILES = sorted((HOUSE / "chrono").rglob("*.py"))


def test_no_file_is_long_but_with_a_reason() -> None:
    long = {name_of(f) for f in FILES if len(f.read_text("utf-8").splitlines()) > MOST_LINES}
    assert long <= set(LONGER_FILES)


def test_no_function_is_long_but_with_a_reason() -> None:
    found = [one for file in FILES for one in functions(file)]
    assert len(found) > 1000
    long = {name for name, lines in found if lines > MOST_LINES_OF_FUNCTION}
    assert long <= set(LONGER_FUNCTIONS)


def test_few_modules_stay_flat_and_every_room_says_what_it_holds() -> None:
    house = HOUSE / "chrono"
    assert len(list(house.glob("[a-z]*.py"))) <= 8
    for room in (path for path in house.iterdir() if (path / "__init__.py").is_file()):
        words = ast.get_docstring(ast.parse((room / "__init__.py").read_text("utf-8")))
        assert words, room


def test_no_two_files_of_tests_share_a_name_which_pytest_would_refuse() -> None:
    files = (HOUSE / "tests").rglob("test_*.py")
    names = [file.name for file in files if not (file.parent / "__init__.py").is_file()]
    assert len(set(names)) == len(names)
