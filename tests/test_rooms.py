"""The house: imports run one way, names are unique, rooms say what they hold."""

import ast
import shutil
import subprocess
import sys
import tomllib
from collections import Counter, defaultdict
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
        ("reader/recording_rows.py", "import chrono.session.session", "run one way"),
        ("processor/rig_rules.py", "import chrono.reader.recording_rows", "no reader"),
        ("reader/port_reader.py", "import chrono.processor.rig_rules", "no processor"),
        ("reports/setup_words.py", "import textual.app", "Textual"),
        ("commands/rig_command.py", "import textual.app", "Textual"),
        ("session/live_run.py", "import chrono.virtual.virtual_board", "virtual board"),
        ("commands/clock_command.py", "import chrono.virtual.virtual_board", "virtual board"),
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


FILES = sorted((HOUSE / "chrono").rglob("*.py"))


def test_no_file_name_occurs_in_two_rooms() -> None:
    names = Counter(file.name for file in FILES if file.name != "__init__.py")
    assert len(names) > 100
    assert [name for name, times in names.items() if times > 1] == []


def shared_names(kind: type[ast.ClassDef | ast.FunctionDef], files: list[Path]) -> set[str]:
    """Return the public names of classes or functions that occur in several files."""
    homes: defaultdict[str, set[Path]] = defaultdict(set)
    for file in files:
        for node in ast.parse(file.read_text("utf-8")).body:
            if isinstance(node, kind) and not node.name.startswith("_"):
                homes[node.name].add(file)
    assert len(homes) > 100
    return {name for name, found in homes.items() if len(found) > 1}


def test_no_public_class_name_occurs_in_two_modules() -> None:
    assert shared_names(ast.ClassDef, FILES) == {"Serial"}, "pyserial asks for this name"


def test_no_public_function_name_occurs_in_two_modules() -> None:
    # Commands and notebooks call the work by the words of the user, such as `compare`.
    doors = {HOUSE / "chrono" / name for name in ("__main__.py", "scripting.py")}
    doors |= set((HOUSE / "chrono" / "commands").glob("*_command.py"))
    assert shared_names(ast.FunctionDef, [file for file in FILES if file not in doors]) == set()


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
