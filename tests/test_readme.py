"""The README keeps what it promises."""

from pathlib import Path

from every_command import command_names

from chrono.reports.flag_help import FLAG_HELP

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
RECORDINGS = (ROOT / "recordings/README.md").read_text("utf-8")


def test_every_flag_is_explained_beside_the_recordings_as_the_program_does() -> None:
    for flag, text in FLAG_HELP.items():
        assert f"| `{flag}` | {text} |" in RECORDINGS
    assert "(recordings/README.md#flags-of-a-shot)" in README
    assert "\n## Flags of a shot\n" in RECORDINGS


def test_the_environment_is_activated_before_the_first_bare_command() -> None:
    activated = README.index("\n. .venv/bin/activate\n")
    assert activated < README.index("\nchrono ")


def test_every_command_in_the_readme_is_one() -> None:
    first_words = {name.split()[0] for name in command_names()}
    told = [line.split()[1] for line in README.splitlines() if line.startswith("chrono ")]
    assert len(told) > 20
    assert set(told) <= first_words


def test_the_commands_that_ci_runs_are_there() -> None:
    for name in ("demo", "tests"):
        assert f"<!-- command: {name} -->\n```sh\npython3 -m venv" in README


def test_the_guide_for_contributors_is_short_and_names_every_file() -> None:
    assert len(DEVELOPERS) <= 10_000
    files = {path.stem for path in (ROOT / "chrono").rglob("*.py")} - {"__init__", "__main__"}
    unnamed = {
        stem
        for stem in files
        if stem.removesuffix("_command").removesuffix("screen") not in DEVELOPERS
        and not stem.endswith("_text")
    }
    assert unnamed == set()
