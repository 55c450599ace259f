"""The shell completes commands once it is told how."""

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.parametrize(("begun", "offered"), [("su", "summary"), ("calibrate sw", "swap")])
def test_a_begun_command_is_completed(begun: str, offered: str) -> None:
    typed = f"chrono {begun}"
    asked = {
        "_CHRONO_COMPLETE": "complete_bash",
        "COMP_WORDS": typed,
        "COMP_CWORD": str(len(typed.split()) - 1),
    }
    found = subprocess.run(
        [sys.executable, "-m", "chrono"], env=os.environ | asked, capture_output=True, text=True
    )
    assert offered in found.stdout.split()
    assert found.returncode == 0


def test_completion_installs_itself(tmp_path: Path) -> None:
    # The shell is found among the program's parents: here one that is near enough.
    found = subprocess.run(
        ["bash", "-c", f'"{sys.executable}" -m chrono --install-completion; exit'],
        env=os.environ | {"HOME": str(tmp_path)},
        capture_output=True,
        text=True,
    )
    assert found.returncode == 0, found.stderr
    script = (tmp_path / ".bash_completions" / "chrono.sh").read_text("utf-8")
    assert "_CHRONO_COMPLETE=complete_bash" in script
    assert "chrono.sh" in (tmp_path / ".bashrc").read_text("utf-8")
