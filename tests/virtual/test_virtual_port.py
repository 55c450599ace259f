"""The virtual board behind pyserial: real time, timeouts, cancelling, hello on request."""

import threading
from collections.abc import Iterator
from itertools import takewhile
from time import monotonic

import pytest
import serial

from chrono.errors import PortError
from chrono.reader.line_grammar import Hello, SensorLevels, parse_framed, parse_levels
from chrono.reader.port_reader import HELLO_REQUEST, LEVELS_REQUEST
from chrono.reader.serial_ports import open_port
from chrono.virtual import protocol_virtual
from chrono.virtual.scenarios import SCENARIOS
from chrono.virtual.virtual_board import board_lines


class FakeTime:
    """Stands for the `time` module; moves when it is told to."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        return self.now_s


@pytest.fixture
def time(monkeypatch: pytest.MonkeyPatch) -> FakeTime:
    fake = FakeTime()
    monkeypatch.setattr(protocol_virtual, "time", fake)
    return fake


@pytest.fixture
def port(time: FakeTime) -> Iterator[serial.Serial]:
    opened = open_port("virtual://two-bands?seed=7")
    opened.timeout = 0
    yield opened
    opened.close()


def test_lines_arrive_when_the_board_has_sent_them_and_not_before(
    time: FakeTime, port: serial.Serial
) -> None:
    coming = list(takewhile(lambda x: x[0] < 10, board_lines(SCENARIOS["two-bands"], 7)))
    assert port.in_waiting == 0
    for leaves_s, line in coming:
        time.now_s = 1000.0 + leaves_s - 1e-6
        assert port.read(100) == b""
        time.now_s = 1000.0 + leaves_s + 1e-6
        assert port.in_waiting == len(line)
        assert port.read(100) == line


def test_bytes_that_nobody_reads_wait(time: FakeTime, port: serial.Serial) -> None:
    time.now_s += 10
    sent = [
        line
        for t, line in takewhile(lambda x: x[0] < 10, board_lines(SCENARIOS["two-bands"], 7))
    ]
    assert port.read(5) + port.read(port.in_waiting) == b"".join(sent)


def test_a_framed_board_answers_a_question_mark_with_hello(
    time: FakeTime, port: serial.Serial
) -> None:
    time.now_s += 0.5
    port.read(port.in_waiting)
    port.write(HELLO_REQUEST)
    assert isinstance(parse_framed(port.read(100).removesuffix(b"\n")), Hello)


def test_a_plain_sketch_answers_nothing(time: FakeTime) -> None:
    with open_port("virtual://plain-board") as port:
        port.timeout = 0
        port.write(HELLO_REQUEST)
        assert port.read(100) == b""


def test_a_read_in_real_time_returns_with_the_hello_or_after_its_timeout() -> None:
    with open_port("virtual://two-bands?shots=0") as port:
        port.timeout = 5.0
        hello = port.read_until(b"\n")
        assert isinstance(parse_framed(hello.removesuffix(b"\n")), Hello)
        port.timeout = 0.05
        assert port.read(1) == b""


@pytest.mark.parametrize("end", ["cancel_read", "close"])
def test_a_read_that_waits_is_ended_from_another_thread(end: str) -> None:
    port = open_port("virtual://plain-board?shots=0")
    port.timeout = None
    got: list[bytes] = []
    reading = threading.Thread(target=lambda: got.append(port.read(1)), daemon=True)
    reading.start()
    getattr(port, end)()
    reading.join(5.0)
    assert got == [b""]
    port.close()


def test_a_cancelled_read_gives_what_it_had_and_the_next_one_waits_again() -> None:
    with open_port("virtual://two-bands?shots=0") as port:
        port.timeout = 5.0
        assert port.read(2) == b"H "
        port.cancel_read()
        assert len(port.read(1000)) < 1000
        port.timeout = 0.05
        begin_s = monotonic()
        assert len(port.read(1000)) < 1000
        assert monotonic() - begin_s >= 0.05


def test_opening_again_starts_the_board_anew(time: FakeTime, port: serial.Serial) -> None:
    time.now_s += 10
    first = port.read(port.in_waiting)
    port.close()
    port.open()
    time.now_s += 10
    assert port.read(port.in_waiting) == first


def test_a_closed_port_refuses_to_be_used(time: FakeTime, port: serial.Serial) -> None:
    port.close()
    for use in (lambda: port.in_waiting, lambda: port.read(1), lambda: port.write(b"?\n")):
        with pytest.raises(serial.PortNotOpenError):
            use()


def test_settings_may_be_changed_while_it_is_open(port: serial.Serial) -> None:
    port.baudrate = 9600
    port.timeout = 0.1
    assert (port.baudrate, port.timeout) == (9600, 0.1)


def test_an_unknown_scenario_is_refused_on_opening() -> None:
    with pytest.raises(PortError, match="no scenario 'two-band'"):
        open_port("virtual://two-band")


def levels_of(port: serial.Serial) -> list[SensorLevels]:
    lines = port.read(port.in_waiting).splitlines()
    return [levels for line in lines if (levels := parse_levels(line))]


def test_a_board_that_measures_its_sensors_sends_levels_for_two_seconds_after_a_request(
    time: FakeTime,
) -> None:
    with open_port("virtual://loose-beam?shots=0") as port:
        port.timeout = 0
        time.now_s += 0.1
        hello = parse_framed(port.read(100).splitlines()[0])
        assert isinstance(hello, Hello)
        assert hello.has_analog
        time.now_s += 1.0
        assert levels_of(port) == []
        port.write(LEVELS_REQUEST)
        time.now_s += 1.55
        assert len(levels_of(port)) == 16
        port.write(LEVELS_REQUEST)
        time.now_s += 5.0
        assert 20 <= len(levels_of(port)) <= 21


def test_a_board_that_does_not_measure_its_sensors_sends_none(
    time: FakeTime, port: serial.Serial
) -> None:
    port.write(LEVELS_REQUEST)
    time.now_s += 1.0
    assert levels_of(port) == []


def test_the_loose_beam_trips_its_gate_where_its_light_crosses_the_thresholds(
    time: FakeTime,
) -> None:
    """The gate's lines and the levels come by different ways; they must fit each other."""
    blocked, seen = False, set()
    with open_port("virtual://loose-beam?shots=0") as port:
        port.timeout = 0
        for _ in range(1200):
            port.write(LEVELS_REQUEST)
            time.now_s += 0.01
            for line in port.read(port.in_waiting).splitlines():
                if line.startswith(b"E"):
                    assert line.split()[2] == b"B"
                    blocked = line.split()[3] == b"1"
                elif levels := parse_levels(line):
                    a, (light_v, lower_v, upper_v) = levels
                    assert a.light_v == pytest.approx(1.03)
                    assert light_v < upper_v + 0.01 if blocked else light_v > lower_v - 0.01
                    seen.add((blocked, light_v > upper_v, light_v < lower_v))
    assert {(False, True, False), (True, False, True), (True, False, False)} <= seen
