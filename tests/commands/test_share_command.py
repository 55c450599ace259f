"""`chrono share` as its user meets it: the address, what is wrong in one line, a calm end."""

import http.client
import json
import os
import pty
import re
import signal
import socket
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint
from program_kit import Program
from sharing_process import Shared
from waiting import PATIENCE_S

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
posix = pytest.mark.skipif(os.name != "posix", reason="sends a signal to end it")


def ask(shared: Shared, path: str = "") -> http.client.HTTPResponse:
    connection = http.client.HTTPConnection(shared.address, shared.port, timeout=PATIENCE_S)
    connection.request("GET", shared.path + path)
    return connection.getresponse()


def state_of(shared: Shared, shots: int) -> dict:
    """Look on until so many shots are there."""
    stream = ask(shared, "events")
    while True:
        line = stream.readline()
        assert line
        if line.startswith(b"data: {") and b'"shots"' in line:
            state = json.loads(line.removeprefix(b"data: "))
            if state["shots"] >= shots:
                return state


@posix
def test_a_recording_is_shown_as_it_is_and_ends_calmly(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    path.write_bytes(BANDS.read_bytes())
    before = path.read_bytes()
    shared = Shared(path, "--decimal-comma", "--unit", "km/h")
    assert "monday.tsv is shown" in shared.said
    assert "--lan" in shared.said
    assert shared.address == "127.0.0.1"
    assert shared.path == "/"
    assert ask(shared).status == 200
    state = state_of(shared, 40)
    assert state["recording"] == "monday.tsv"
    assert state["latest"]["speed"] == "98,33"
    out, err = shared.end()
    assert shared.process.returncode == 0, err
    assert (out, err) == ("", "stopped\n")
    assert path.read_bytes() == before


@posix
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_other_signals_end_it_too(number) -> None:
    shared = Shared(BANDS)
    _, err = shared.end(number)
    assert (shared.process.returncode, err) == (0, "stopped\n")


@posix
def test_in_a_network_a_secret_leads_the_path_and_a_code_is_drawn() -> None:
    address = own_address()
    shared = Shared(BANDS, "--address", address, PYTHONIOENCODING="ascii")
    assert shared.address == address
    assert re.fullmatch(r"/[a-z2-9]{10}/", shared.path)
    code = [line for line in shared.said.splitlines() if "##" in line]
    assert len(code) >= 25
    assert set("".join(code)) == {"#", " "}
    assert "Other people in the network can read the data" in shared.said
    assert ask(shared).status == 200
    wrong = http.client.HTTPConnection(address, shared.port, timeout=PATIENCE_S)
    wrong.request("GET", "/")
    assert wrong.getresponse().status == 404
    shared.end()


@posix
def test_the_code_is_drawn_in_half_blocks_where_they_can_be_shown() -> None:
    shared = Shared(BANDS, "--address", own_address(), PYTHONIOENCODING="utf-8")
    code = [line for line in shared.said.splitlines() if "▀" in line]
    assert 13 <= len(code) <= 17
    assert "\x1b" not in shared.said  # no terminal, no colours
    shared.end()


def own_address() -> str:
    """An address of this machine that is not localhost's usual one."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.2", 0))
    return "127.0.0.2"


@posix
def test_a_board_is_clocked_recorded_and_shown(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    shared = Shared(
        "virtual://two-bands?shots=6&speedup=20", "--recording", path, "--setup", "trial"
    )
    assert "monday.tsv is shown" in shared.said
    state = state_of(shared, 4)
    assert state["latest"]["setup"] == "trial"
    out, err = shared.end()
    assert shared.process.returncode == 0, err
    assert "Eye protection on" in err
    assert "stopped" in err
    assert "Traceback" not in err
    assert len(out.splitlines()) >= 4  # a line a shot, as clocking prints it
    assert b"\tboard\t" in path.read_bytes()


@posix
def test_clocking_goes_on_when_the_page_is_gone(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    shared = Shared("virtual://two-bands?shots=20&speedup=20", "--recording", path)
    state_of(shared, 1)
    os.kill(shared.serving_process(), signal.SIGKILL)
    lines = [shared.process.stdout.readline() for _ in range(5)]
    assert all(lines)
    _, err = shared.end()
    assert shared.process.returncode == 1
    assert "no longer shared; the measurement continued without the page" in err


@posix
def test_ctrl_c_does_not_reach_the_process_that_serves_the_page(tmp_path) -> None:
    """Not even while that process is still loading: it would end with a traceback."""
    shared = Shared("virtual://two-bands", "--recording", tmp_path / "monday.tsv")
    state_of(shared, 1)
    status = Path(f"/proc/{shared.serving_process()}/status").read_text()
    _, err = shared.end()
    blocked = int(re.search(r"SigBlk:\s+(\w+)", status)[1], 16)
    assert blocked & 1 << signal.SIGINT - 1
    assert shared.process.returncode == 0
    assert "Traceback" not in err


@posix
def test_the_page_follows_a_recording_that_had_to_go_on_elsewhere(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    shared = Shared("virtual://two-bands?shots=30&speedup=12", "--recording", path)
    state_of(shared, 2)
    path.unlink()
    assert state_of(shared, 5)["trouble"] == ""
    shared.end()
    assert (tmp_path / "monday-2.tsv").is_file()


# -- the teacher's keys --------------------------------------------------------------------


class Keys:
    """The teacher's end of a terminal, and what the command says while keys are pressed."""

    def __init__(self) -> None:
        self._ours, self.terminal = pty.openpty()

    def press(self, shared: Shared, key: str, expected: str) -> str:
        os.write(self._ours, key.encode())
        said = ""
        while expected not in said:
            line = shared.process.stderr.readline()
            assert line, said
            said += line
        return said

    def close(self) -> None:
        os.close(self._ours)
        os.close(self.terminal)


def send_guess(shared: Shared, token: str, guess: str, name: str) -> int:
    connection = http.client.HTTPConnection(shared.address, shared.port, timeout=PATIENCE_S)
    origin = f"http://{shared.address}:{shared.port}"
    headers = {"Content-Type": "application/json", "Origin": origin}
    body = json.dumps({"token": token, "name": name, "guess": guess})
    connection.request("POST", f"{shared.path}guess", body, headers)
    return connection.getresponse().status


def token_of(shared: Shared) -> str:
    stream = ask(shared, "events")
    while stream.readline() != b"event: seat\n":
        pass
    return stream.readline().removeprefix(b"data: ").strip().decode()


@posix
@pytest.mark.parametrize("from_board", [False, True])
def test_keys_lead_a_round_of_guesses(tmp_path, from_board) -> None:
    """In both ways to share: beside clocking, and from a recording."""
    path, keys = tmp_path / "monday.tsv", Keys()
    board = ("virtual://two-bands?shots=3&speedup=20", "--recording", path)
    if not from_board:
        path.write_bytes(BANDS.read_bytes())
    words = board if from_board else (path,)
    shared = Shared(*words, "--guesses", "--hidden", stdin=keys.terminal)
    assert "o  open a round" in shared.said
    assert "Nobody can check who sent a guess" in shared.said
    assert state_of(shared, 3 if from_board else 40)["latest"]["speed"] == ""
    token = token_of(shared)
    assert send_guess(shared, token, "22", "owls") == 409
    keys.press(shared, "o", "viewers can now guess the speed of shot 1")
    assert send_guess(shared, token, "22", "owls") == 200
    keys.press(shared, "c", "the round is closed with 1 guess")
    assert "●" in keys.press(shared, "r", "measured: ")
    keys.press(shared, "n", "1: owls")
    _, err = shared.end()
    keys.close()
    assert shared.process.returncode == 0, err
    kept = json.loads((tmp_path / "monday.guesses.jsonl").read_text("utf-8"))
    assert (kept["who"], kept["guess_mps"], kept["shot"]) == ("owls", 22.0, 1)
    if not from_board:
        assert path.read_bytes() == BANDS.read_bytes()


@posix
def test_a_recording_that_is_not_there_yet_is_waited_for(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    program = Program("share", path, "--web-port", "0", text=True, start_new_session=True)
    assert "waits until chrono clock creates" in program.stderr.readline()
    path.write_bytes(BANDS.read_bytes())
    said = program.stderr.readline()
    while "is shown" not in said:
        said = program.stderr.readline()
        assert said
    os.killpg(program.pid, signal.SIGINT)
    assert program.stderr.read().endswith("stopped\n")
    program.wait()
    assert program.returncode == 0
    program.stdout.close()
    program.stderr.close()


@posix
def test_waiting_for_a_recording_ends_calmly(tmp_path) -> None:
    program = Program(
        "share", tmp_path / "x.tsv", "--web-port", "0", text=True, start_new_session=True
    )
    assert "waits until chrono clock creates" in program.stderr.readline()
    program.stderr.readline()
    os.killpg(program.pid, signal.SIGINT)
    assert program.stderr.read() == "stopped\n"
    program.wait()
    assert program.returncode == 0
    program.stdout.close()
    program.stderr.close()


# -- wrong input ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("nowhere/monday.tsv",), ("monday.tsv", "no such file")),
        ((BANDS, "--unit", "knots"), ("--unit", "knots", "km/h")),
        ((BANDS, "--recording", "x.tsv"), ("--recording", "only with a board's port")),
        ((BANDS, "--seats", "0"), ("--seats", "equal to 1")),
        ((BANDS, "--setup", "x"), ("--setup", "only with a board's port")),
        ((BANDS, "--address", "192.0.2.7"), ("--address", "not an address of this computer")),
        (("virtual://nothing",), ("nothing",)),
        (("/dev/nowhere",), ("rig",)),
    ],
)
def test_wrong_input_is_refused_in_one_line(chrono, tmp_path, words, expected) -> None:
    is_one_clear_complaint(chrono("share", *words, "--web-port", "0"), *expected)
    assert list(tmp_path.glob("*.tsv")) == []


def test_a_port_of_a_board_that_cannot_be_opened_leaves_no_recording(chrono, tmp_path) -> None:
    (tmp_path / "rig.toml").write_text('[gates]\nspacing = "300 mm"\n')
    outcome = chrono(
        "share", tmp_path / "no-port", "--rig", "rig.toml", "--recording", "x.tsv",
        "--web-port", "0",
    )  # fmt: skip
    assert outcome.code == 2
    assert "chrono: error: " in outcome.err
    assert "Traceback" not in outcome.err
    assert not (tmp_path / "x.tsv").exists()


def test_a_tcp_port_in_use_is_said_before_anything_is_opened(chrono, tmp_path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        words = ("share", "virtual://two-bands", "--recording", "x.tsv", "--web-port", port)
        is_one_clear_complaint(chrono(*words), str(port), "--web-port")
    assert not (tmp_path / "x.tsv").exists()
