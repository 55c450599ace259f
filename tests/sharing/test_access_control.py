"""Who is let in."""

import socket
from dataclasses import replace

import pytest

from chrono.sharing.access_control import (
    TOKEN_LENGTH,
    TOKEN_LETTERS,
    PageRequest,
    RefusedRequest,
    admit,
    is_own_host,
    make_token,
)

HERE = PageRequest("GET", "/", "127.0.0.1:8765", "", "", "127.0.0.1", 8765)
LAN = PageRequest("GET", "/k7m2p9x4qd/", "192.168.1.20:8765", "", "", "192.168.1.20", 8765)
TOKEN = "k7m2p9x4qd"


def status(asked: PageRequest, token: str = "") -> int | str:
    answer = admit(asked, token)
    return answer.status if isinstance(answer, RefusedRequest) else answer


def test_the_page_and_its_states_are_let_out_to_who_asks_for_them_here() -> None:
    assert status(HERE) == ""
    assert status(replace(HERE, path="/events")) == "events"
    assert status(replace(HERE, method="HEAD")) == ""
    assert status(replace(HERE, host="localhost:8765")) == ""
    assert status(replace(HERE, origin="http://127.0.0.1:8765", site="same-origin")) == ""


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS", "get", "TRACE", ""])
def test_nothing_but_looking_is_possible(method: str) -> None:
    assert status(replace(HERE, method=method)) == 405


@pytest.mark.parametrize(
    "host",
    [
        "",
        "evil.example:8765",
        "127.0.0.1",
        "127.0.0.1:80",
        "127.0.0.1:8766",
        "192.168.1.20:8765",
        "127.0.0.1.evil.example:8765",
        "localhost.evil.example:8765",
        "evil@127.0.0.1:8765",
        "127.0.0.1:8765/x",
        "127.0.0.1:8765#",
        "127.0.0.1:99999",
        "127.0.0.1:x",
        "[::1",
        "127.0.0.1:8765, evil.example",
    ],
)
def test_another_host_is_refused_wherever_its_name_points_to(host: str) -> None:
    assert status(replace(HERE, host=host)) == 421


def test_a_name_of_this_computer_is_its_own_on_every_address() -> None:
    own = socket.gethostname().lower().partition(".")[0]
    for name in ("192.168.1.20", own, f"{own}.local", own.upper()):
        assert is_own_host(f"{name}:8765", "192.168.1.20", 8765)
    assert not is_own_host("localhost:8765", "192.168.1.20", 8765)
    assert is_own_host("127.0.0.1", "127.0.0.1", 80)  # the port that HTTP leaves out
    assert not is_own_host("127.0.0.1:8765", "", 8765)


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "https://127.0.0.1:8765", "null", "http://localhost:8765"],
)
def test_another_origin_may_read_nothing(origin: str) -> None:
    assert status(replace(HERE, origin=origin)) == 403
    assert status(replace(HERE, path="/events", origin=origin)) == 403


def test_a_link_elsewhere_may_lead_here_but_nothing_else_of_that_page_may() -> None:
    assert status(replace(HERE, site="cross-site")) == ""
    assert status(replace(HERE, path="/events", site="cross-site")) == 403
    assert status(replace(HERE, path="/events", site="same-site")) == 403
    assert status(replace(HERE, path="/events", site="same-origin")) == "events"


def test_the_token_leads_every_path() -> None:
    assert status(LAN, TOKEN) == ""
    assert status(replace(LAN, path=f"/{TOKEN}"), TOKEN) == ""  # as people type it
    assert status(replace(LAN, path=f"/{TOKEN}/events"), TOKEN) == "events"


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "",
        "/events",
        "//",
        f"//{TOKEN}/",
        f"/{TOKEN[:-1]}/",
        f"/{TOKEN}x/",
        f"/{TOKEN.upper()}/",
        f"{TOKEN}/",
        f"/x/../{TOKEN}/",
        f"/%6b{TOKEN[1:]}/",
        "/\u00e4/",
        f"http://192.168.1.20:8765/{TOKEN}/",
    ],
)
def test_without_the_right_token_there_is_no_page(path: str) -> None:
    assert status(replace(LAN, path=path), TOKEN) == 404


def test_tokens_are_random_and_can_be_read_off_a_wall() -> None:
    tokens = {make_token() for _ in range(500)}
    assert len(tokens) == 500
    assert {len(token) for token in tokens} == {TOKEN_LENGTH}
    assert set("".join(tokens)) == set(TOKEN_LETTERS)
    assert not set("01iloIO") & set(TOKEN_LETTERS)
    assert len(TOKEN_LETTERS) ** TOKEN_LENGTH > 2**49
