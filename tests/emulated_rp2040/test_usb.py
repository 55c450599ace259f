"""What the board tells a host that it is plugged into, against the USB standard.

Lengths, types and classes are those of USB 2.0, chapter 9, and of the communication device
class 1.2, from memory. The emulated host refuses by itself what a real one would not take:
packets under the wrong name, an address taken too early, a buffer given away too soon.
"""

import json
import subprocess
from typing import NamedTuple

import pytest
from emulated_board.conftest import MakeBoard

SETUP_DEVICE = "8006000100001200"
SETUP_QUALIFIER = "8006000600000a00"
SETUP_CONFIGURATION_HEAD = "8006000200000900"
SETUP_CONFIGURATION = "800600020000ff00"
SETUP_VENDOR = "c001000000000800"


class Answers(NamedTuple):
    """What the board answered to a request; None: it refused."""

    by_setup: dict[str, bytes | None]

    def __call__(self, setup: str) -> bytes:
        answer = self.by_setup[setup]
        assert answer is not None
        return answer


@pytest.fixture(scope="module")
def answers(make_pico: MakeBoard, tmp_path_factory: pytest.TempPathFactory) -> Answers:
    board, folder = make_pico(), tmp_path_factory.mktemp("usb")
    script, log = folder / "script", folder / "usb.json"
    script.write_text("")
    command = board.command(script, "--until", str(board.start), "--usb", str(log))
    subprocess.run(command, check=True, capture_output=True, timeout=60)
    asked = json.loads(log.read_text())
    return Answers({s: None if a is None else bytes.fromhex(a) for s, a in asked})


def descriptors(configuration: bytes) -> list[bytes]:
    found = []
    while configuration:
        found.append(configuration[: configuration[0]])
        configuration = configuration[configuration[0] :]
    return found


def test_the_device_is_a_serial_port_that_every_system_knows(answers: Answers) -> None:
    device = answers(SETUP_DEVICE)

    assert device[:2] == bytes([18, 1])
    assert len(device) == 18
    assert device[4:7] == bytes([0xEF, 2, 1]), "functions by association"
    assert device[7] == 64
    assert device[17] == 1, "one configuration"


def test_the_configuration_is_whole(answers: Answers) -> None:
    whole = answers(SETUP_CONFIGURATION)
    head = answers(SETUP_CONFIGURATION_HEAD)
    parts = descriptors(whole)

    assert whole.startswith(head)
    assert len(whole) == int.from_bytes(head[2:4], "little") == sum(map(len, parts))
    assert head[4] == 2, "interfaces"
    interfaces = [p for p in parts if p[1] == 4]
    assert [(p[2], p[4], p[5], p[6]) for p in interfaces] == [(0, 1, 2, 2), (1, 2, 10, 0)]
    endpoints = [p for p in parts if p[1] == 5]
    assert [(p[2], p[3]) for p in endpoints] == [(0x81, 3), (0x02, 2), (0x82, 2)]
    assert [int.from_bytes(p[4:6], "little") for p in endpoints] == [8, 64, 64]
    association = next(p for p in parts if p[1] == 11)
    assert tuple(association[2:6]) == (0, 2, 2, 2)
    union = next(p for p in parts if p[1] == 36 and p[2] == 6)
    assert tuple(union[3:5]) == (0, 1)


def test_names_are_told_as_text(answers: Answers) -> None:
    product = answers("800602030904ff00")

    assert product[:2] == bytes([len(product), 3])
    assert product[2:].decode("utf-16-le") == "light gates"
    assert answers("800600030000ff00") == bytes([4, 3, 9, 4])


def test_what_a_device_of_this_speed_has_not_is_refused(answers: Answers) -> None:
    assert answers.by_setup[SETUP_QUALIFIER] is None
    assert answers.by_setup[SETUP_VENDOR] is None


def test_the_baud_that_a_host_sets_is_what_it_reads_back(answers: Answers) -> None:
    assert answers("a121000000000700") == bytes([0x90, 0xD0, 3, 0, 0, 0, 8])
