"""Files that leave whole or not at all."""

import os
import resource
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from chrono.errors import OptionError, RecordingError
from chrono.reports.atomic_file import ABANDONED_S, check_new, new_file, write_new


def test_a_file_is_written_as_it_is(tmp_path: Path) -> None:
    write_new(tmp_path / "x", b"\r\n\xff")
    assert (tmp_path / "x").read_bytes() == b"\r\n\xff"


def test_a_file_that_came_meanwhile_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("mine")
    with pytest.raises(OptionError, match="exists"):
        write_new(tmp_path / "x", b"other")
    assert (tmp_path / "x").read_text() == "mine"


def test_ctrl_c_just_after_a_file_began_leaves_nothing(tmp_path: Path, monkeypatch) -> None:
    sound = Path.open

    def interrupted(path: Path, *mode: str) -> None:
        sound(path, *mode).close()
        raise KeyboardInterrupt

    monkeypatch.setattr(Path, "open", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_new(tmp_path / "x", b"a")
    assert not list(tmp_path.iterdir())


def test_a_folder_that_is_a_file_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "x").write_text("mine")
    with pytest.raises(RecordingError, match="cannot be written"):
        write_new(tmp_path / "x" / "y", b"a")


def test_a_full_disk_leaves_no_half_file(tmp_path: Path) -> None:
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, before[1]))
    try:
        with pytest.raises(RecordingError, match="cannot be written"):
            write_new(tmp_path / "x", b"a" * 100_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("name", ["there", "link"])
def test_what_is_there_is_told_before_any_work(tmp_path: Path, name: str) -> None:
    (tmp_path / "there.svg").write_text("mine")
    (tmp_path / "link.svg").symlink_to(tmp_path / "nowhere")
    with pytest.raises(OptionError, match="exists"):
        check_new(tmp_path / f"{name}.svg", (".svg",))


def test_an_ending_in_capitals_is_one_too(tmp_path: Path) -> None:
    assert check_new(tmp_path / "x.SVG", (".svg", ".png")) == ".svg"


KILLED = """
import os, signal, sys
from pathlib import Path
from chrono.reports.atomic_file import new_file
with new_file(Path(sys.argv[1])) as file:
    file.write(b"half")
    file.flush()
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_program_leaves_nothing_under_the_name(tmp_path: Path) -> None:
    path = tmp_path / "shots.csv"
    done = subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False)
    assert done.returncode == -signal.SIGKILL
    (left,) = tmp_path.iterdir()
    assert left.name.startswith(".chrono-")
    assert left.suffix == ".part"
    assert left.read_bytes() == b"half"
    write_new(path, b"whole")
    assert path.read_bytes() == b"whole"
    assert left.exists(), "its program may have begun a moment ago"
    age(left)
    write_new(tmp_path / "more.csv", b"more")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["more.csv", "shots.csv"]


def test_what_a_running_program_writes_stays_however_slow_it_is(tmp_path: Path) -> None:
    with new_file(tmp_path / "slow.csv") as file:
        file.write(b"slow")
        (part,) = tmp_path.iterdir()
        age(part)
        write_new(tmp_path / "fast.csv", b"fast")
        assert part.exists()
    assert (tmp_path / "slow.csv").read_bytes() == b"slow"


def age(part: Path) -> None:
    """Let a file look as if nothing had been written to it for some time."""
    long_ago = time.time() - ABANDONED_S - 1
    os.utime(part, (long_ago, long_ago))


def test_a_name_that_is_taken_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "x"
    with pytest.raises(OptionError, match="exists"), new_file(path):
        path.write_text("mine")
    assert path.read_text() == "mine"
    assert [each.name for each in tmp_path.iterdir()] == ["x"]


def test_a_file_system_without_links_will_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    write_new(tmp_path / "x", b"whole")
    assert (tmp_path / "x").read_bytes() == b"whole"
    assert len(list(tmp_path.iterdir())) == 1
    path = tmp_path / "y"
    with pytest.raises(OptionError, match="exists"), new_file(path):
        path.write_text("mine")
    assert path.read_text() == "mine"
