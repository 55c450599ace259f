"""The journal: rows in the recording first, in one order for all; nobody waits for a disk."""

import itertools
import threading
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pty_board import until

from chrono.reader.journal import Journal
from chrono.reader.recording_rows import board_row, json_row


class Kept:
    """A recording that only remembers."""

    def __init__(self) -> None:
        self.rows = b""

    def append(self, rows: bytes) -> None:
        self.rows += rows

    def look_after(self) -> None:
        pass


def test_rows_are_in_the_recording_before_they_are_handed_on() -> None:
    kept = Kept()
    journal = Journal(lambda: 5, kept)
    journal.append(b"1\tboard\tA 1\n")
    assert kept.rows == b"1\tboard\tA 1\n"
    assert journal.drain() == kept.rows
    assert journal.drain() == b""


def test_what_the_recording_did_not_take_is_not_handed_on() -> None:
    class Broken:
        def append(self, rows: bytes) -> None:
            raise OSError(28, "No space left on device")

        def look_after(self) -> None:
            pass

    journal = Journal(lambda: 5, Broken())
    with pytest.raises(OSError, match="No space"):
        journal.append(b"1\tboard\tA 1\n")
    with pytest.raises(OSError, match="No space"):
        journal.record("mark", {"action": "note", "text": "x"})
    assert journal.drain() == b""


def test_without_a_recording_rows_are_handed_on_all_the_same() -> None:
    journal = Journal(lambda: 5)
    journal.append(b"1\tboard\tA 1\n")
    journal.record("mark", {"action": "note", "text": "x"})
    assert journal.drain().count(b"\n") == 2


def test_a_record_of_the_operator_is_stamped_and_takes_the_same_way() -> None:
    kept = Kept()
    journal = Journal(lambda: 5, kept)
    journal.record("setup", {"name": "two bands"})
    assert kept.rows == json_row(5, "setup", {"name": "two bands"}) == journal.drain()


def test_many_threads_leave_the_same_order_in_the_file_and_for_the_consumer() -> None:
    kept = Kept()
    journal = Journal(itertools.count().__next__, kept)

    def work(name: int) -> None:
        for i in range(300):
            journal.append(board_row(name, b"A %d" % i))
            journal.record("mark", {"action": "note", "text": str(i)})

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    drained = b""
    while any(t.is_alive() for t in threads):
        drained += journal.drain()
    drained += journal.drain()
    assert drained == kept.rows
    assert drained.count(b"\n") == 4 * 600


@pytest.mark.parametrize("is_from_port", [True, False])
def test_who_comes_while_a_row_is_written_waits_for_its_turn(is_from_port: bool) -> None:
    others: list[threading.Thread] = []

    class Slow(Kept):
        def append(self, rows: bytes) -> None:
            super().append(rows)
            if not others:
                say = lambda: journal.record("mark", {"action": "note"})  # noqa: E731
                send = lambda: journal.append(board_row(2, b"A 2"))  # noqa: E731
                others.append(threading.Thread(target=say if is_from_port else send))
                others[0].start()
                others[0].join(0.1)

    kept = Slow()
    journal = Journal(lambda: 3, kept)
    if is_from_port:
        journal.append(board_row(1, b"A 1"))
    else:
        journal.record("setup", {"name": "two bands"})
    others[0].join()
    assert kept.rows.count(b"\n") == 2
    assert journal.drain() == kept.rows


@given(st.lists(st.integers(1, 400), max_size=30), st.integers(1, 1000))
def test_a_drain_gives_whole_rows_up_to_its_limit(sizes: list[int], limit: int) -> None:
    rows = [b"x" * (size - 1) + b"\n" for size in sizes]
    journal = Journal(lambda: 0)
    for row in rows:
        journal.append(row)
    parts = list(iter(lambda: journal.drain(limit), b""))
    assert b"".join(parts) == b"".join(rows)
    assert all(len(p) <= limit or p.count(b"\n") == 1 for p in parts)


# -- with a thread that writes -------------------------------------------------------------


class Stalled(Kept):
    """A disk that takes nothing until it is let go, or fails then."""

    def __init__(self) -> None:
        super().__init__()
        self.waits, self.let_go = threading.Event(), threading.Event()
        self.fault: BaseException | None = None
        self.looked_after = threading.Event()

    def append(self, rows: bytes) -> None:
        self.waits.set()
        assert self.let_go.wait(10.0)
        if self.fault is not None:
            raise self.fault
        super().append(rows)

    def look_after(self) -> None:
        self.looked_after.set()


@pytest.fixture
def stalled() -> Iterator[tuple[Stalled, Journal]]:
    disk = Stalled()
    journal = Journal(lambda: 5, disk)
    journal.start()
    yield disk, journal
    disk.let_go.set()
    journal.stop()


def test_a_disk_that_stands_still_holds_up_nobody_and_loses_nothing(
    stalled: tuple[Stalled, Journal],
) -> None:
    disk, journal = stalled
    rows = [board_row(number, b"A %d" % number) for number in range(200)]
    for number, row in enumerate(rows):
        journal.append(row)
        journal.record("mark", {"action": "note", "text": str(number)})
    assert disk.waits.wait(10.0)
    assert journal.drain() == b"", "no row is shown that is not written"
    first_s = journal.waiting_s
    assert first_s > 0
    until(lambda: journal.waiting_s > first_s)
    disk.let_go.set()
    until(lambda: not journal.waiting_s)
    drained = b"".join(iter(journal.drain, b""))
    assert drained == disk.rows
    assert [row + b"\n" for row in drained.split(b"\n") if b"\tboard\t" in row] == rows
    assert drained.count(b"\tmark\t") == 200


def test_rows_are_handed_on_while_later_ones_wait(stalled: tuple[Stalled, Journal]) -> None:
    disk, journal = stalled
    disk.let_go.set()
    journal.append(board_row(1, b"A 1"))
    until(lambda: not journal.waiting_s)
    disk.waits.clear()
    disk.let_go.clear()
    journal.append(board_row(2, b"A 2"))
    assert disk.waits.wait(10.0)
    assert journal.drain() == board_row(1, b"A 1")
    assert journal.waiting_s > 0


def test_a_disk_gets_many_waiting_rows_in_pieces_of_64_kib(
    stalled: tuple[Stalled, Journal], monkeypatch: pytest.MonkeyPatch
) -> None:
    disk, journal = stalled
    sizes: list[int] = []
    write = disk.append
    monkeypatch.setattr(disk, "append", lambda rows: (sizes.append(len(rows)), write(rows)))
    row = b"1\tboard\t" + 991 * b"x" + b"\n"
    for _ in range(200):
        journal.append(row)
    assert disk.waits.wait(10.0)
    disk.let_go.set()
    until(lambda: not journal.waiting_s)
    assert sum(sizes) == 200_000
    assert len(sizes) <= 6, "a few rows may go first"
    assert max(sizes) == 66_000, "the first whole rows that make 65,536 bytes"


def test_stopping_waits_until_everything_is_written(stalled: tuple[Stalled, Journal]) -> None:
    disk, journal = stalled
    for number in range(50):
        journal.append(board_row(number, b"A 1"))
    stopping = threading.Thread(target=journal.stop)
    stopping.start()
    assert disk.waits.wait(10.0)
    assert stopping.is_alive()
    disk.let_go.set()
    stopping.join(10.0)
    assert disk.rows.count(b"\n") == 50
    assert journal.drain() == disk.rows
    journal.record("mark", {"action": "note", "text": "afterwards"})
    assert b"afterwards" in disk.rows


def test_the_device_is_asked_to_confirm_while_a_write_stands_still(
    stalled: tuple[Stalled, Journal],
) -> None:
    disk, journal = stalled
    journal.append(board_row(1, b"A 1"))
    assert disk.waits.wait(10.0)
    disk.looked_after.clear()
    assert disk.looked_after.wait(10.0)


def test_a_fault_in_writing_is_kept_and_ends_the_taking(
    stalled: tuple[Stalled, Journal],
) -> None:
    disk, journal = stalled
    disk.fault = RuntimeError("a mistake of ours")
    journal.append(board_row(1, b"A 1"))
    assert disk.waits.wait(10.0)
    journal.append(board_row(2, b"A 2"))
    disk.let_go.set()
    until(lambda: journal.failure is not None)
    assert journal.failure is disk.fault
    with pytest.raises(RuntimeError, match="a mistake"):
        journal.append(board_row(3, b"A 3"))
    assert (journal.drain(), journal.waiting_s) == (b"", 0.0)


def test_many_threads_leave_one_order_while_a_thread_writes() -> None:
    kept = Kept()
    journal = Journal(itertools.count().__next__, kept)
    journal.start()

    def work(name: int) -> None:
        for i in range(300):
            journal.append(board_row(name, b"A %d" % i))
            journal.record("mark", {"action": "note", "text": str(i)})

    threads = [threading.Thread(target=work, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    journal.stop()
    drained = b"".join(iter(journal.drain, b""))
    assert drained == kept.rows
    assert drained.count(b"\n") == 4 * 600
    for name in range(4):
        mine = [row for row in drained.split(b"\n") if row.startswith(b"%d\tboard" % name)]
        assert mine == [board_row(name, b"A %d" % i)[:-1] for i in range(300)]


class FirstRows:
    """A limit of so many rows."""

    def __init__(self, rows: int) -> None:
        self._left = rows
        self.ended = False

    def admit(self, rows: bytes) -> bytes:
        taken = rows.splitlines(keepends=True)[: self._left]
        self._left -= len(taken)
        self.ended = not self._left
        return b"".join(taken)


@pytest.mark.parametrize("is_beside", [True, False])
def test_what_a_limit_does_not_take_is_neither_written_nor_handed_on(is_beside: bool) -> None:
    kept = Kept()
    journal = Journal(lambda: 5, kept, FirstRows(3))
    if is_beside:
        journal.start()
    assert not journal.ended
    for _ in range(4):
        journal.append(board_row(1, b"A 1") * 2)
    journal.stop()
    assert journal.ended
    assert kept.rows == board_row(1, b"A 1") * 3 == b"".join(iter(journal.drain, b""))


def test_whoever_drains_is_called_once_rows_are_written() -> None:
    kept, called = Kept(), threading.Event()
    journal = Journal(lambda: 5, kept)
    journal.handed_on = called.set
    journal.start()
    journal.append(board_row(1, b"A 1"))
    assert called.wait(10.0)
    assert journal.drain() == kept.rows == board_row(1, b"A 1")
    journal.stop()
