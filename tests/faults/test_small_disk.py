"""A disk that fills up while clocking: no shot that was printed is lost.

A file system of 96 kB in memory stands for the disk where one can be mounted; elsewhere the
kernel's limit on the size of a file (RLIMIT_FSIZE) does, lifted when room is to be made.
"""

import json
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import pytest

from chrono.reports.export_table import shot_records
from chrono.session.recording_loader import read_recording

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(os.name != "posix", reason="needs a small disk"),
]

DISK_BYTES = 96 * 1024
PORT = "virtual://two-bands?speedup=100"
MANY_SHOTS = 40


@pytest.fixture
def disk(tmp_path: Path, record_property: Any) -> Iterator[Path | None]:
    """A full file system with room for a start, or None where none can be mounted."""
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", place],
        capture_output=True,
        check=False,
    )
    record_property("small disk", "file-size limit" if made.returncode else "tmpfs")
    if made.returncode:
        yield None
        return
    (place / "filler").write_bytes(b"." * (DISK_BYTES - 8 * 1024))
    yield place
    subprocess.run(["umount", place], check=True)


class Clocking:
    """The program clocking a quick board onto a small disk."""

    def __init__(self, folder: Path, disk: Path | None, *, spare: Path) -> None:
        self.recording = (disk or folder) / "a.tsv"
        self.disk = disk
        words = ("clock", PORT, "--json", "--recording", self.recording, "--spare", spare)

        def limit() -> None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (8192, resource.RLIM_INFINITY))

        self.process = subprocess.Popen(
            [sys.executable, "-m", "chrono", *map(str, words)],
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            preexec_fn=None if disk else limit,
        )
        self.printed: list[dict[str, Any]] = []

    def until_printed(self, count: int) -> None:
        """Take shots until there are so many."""
        out: IO[str] = self.process.stdout  # type: ignore[assignment]
        while len(self.printed) < count:
            self.printed.append(json.loads(out.readline()))

    def make_room(self) -> None:
        """Let the disk take more."""
        if self.disk:
            (self.disk / "filler").unlink()
        else:
            everything = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
            resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, everything)

    def end(self) -> tuple[int, str]:
        """End it as the system does; return exit code and standard error."""
        self.process.send_signal(signal.SIGTERM)
        out, err = self.process.stdout, self.process.stderr
        assert out is not None
        assert err is not None
        with out, err:
            self.printed += map(json.loads, out)
            said = err.read()
        return self.process.wait(timeout=60), said


def kept(path: Path) -> list[dict[str, Any]]:
    """Return the shots of a recording as the console prints them."""
    session = read_recording(path).session
    return list(shot_records(session, path.name, slice(0, len(session.log))))


def without_name(shots: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{key: x for key, x in shot.items() if key != "recording"} for shot in shots]


def test_a_disk_that_gets_room_again_has_every_printed_shot(
    tmp_path: Path, disk: Path | None
) -> None:
    clocking = Clocking(tmp_path, disk, spare=disk or tmp_path)
    clocking.until_printed(MANY_SHOTS)
    with pytest.raises(AssertionError):
        assert without_name(kept(clocking.recording)) == without_name(clocking.printed)
    clocking.make_room()
    code, err = clocking.end()
    assert "wait in memory" in err
    assert without_name(kept(clocking.recording)) == without_name(clocking.printed)
    assert code == 0, err


def test_a_disk_that_stays_full_leaves_everything_in_the_spare_folder(
    tmp_path: Path, disk: Path | None
) -> None:
    if disk is None:
        pytest.skip(
            "a file-size limit holds in every folder; only a real disk can be full alone"
        )
    spare = tmp_path / "spare"
    spare.mkdir()
    clocking = Clocking(tmp_path, disk, spare=spare)
    clocking.until_printed(MANY_SHOTS)
    code, err = clocking.end()
    (saved,) = spare.glob("*.tsv")
    assert without_name(kept(saved)) == without_name(clocking.printed)
    assert str(saved) in err
    assert code == 1


def test_where_no_place_is_left_it_is_said_how_much_is_lost(
    tmp_path: Path, disk: Path | None
) -> None:
    clocking = Clocking(tmp_path, disk, spare=disk or tmp_path)
    clocking.until_printed(MANY_SHOTS)
    code, err = clocking.end()
    assert code == 1
    assert "bytes could not be written" in err
    have = without_name(kept(clocking.recording))
    whole = have[:-1]  # the last one may lack what was to come
    assert whole == without_name(clocking.printed)[: len(whole)], "what is there is sound"
