"""Where the page is found, and each reason why it cannot be in one clear line."""

import errno
import http.server
import os
import socket
import threading

import pytest

from chrono.errors import OptionError
from chrono.sharing import web_address
from chrono.sharing.web_address import LOCALHOST, listen, network_address, url_of


def test_a_port_is_taken_and_its_address_is_told() -> None:
    with listen(LOCALHOST, 0) as bound:
        port = bound.getsockname()[1]
        assert url_of(bound, "") == f"http://127.0.0.1:{port}/"
        assert url_of(bound, "abc") == f"http://127.0.0.1:{port}/abc/"
        with socket.create_connection((LOCALHOST, port), timeout=5):
            pass


@pytest.mark.skipif(os.name != "posix", reason="elsewhere two programs would share the port")
def test_a_port_can_be_taken_again_at_once_after_a_viewer_was_served() -> None:
    with listen(LOCALHOST, 0) as bound:
        port = bound.getsockname()[1]
        viewer = socket.create_connection((LOCALHOST, port), timeout=5)
        served, _ = bound.accept()
        served.close()  # the side that closes first keeps the port for a minute
        assert viewer.recv(1) == b""
        viewer.close()
    listen(LOCALHOST, port).close()


def serve_once(name: str) -> tuple[http.server.HTTPServer, threading.Thread]:
    class Handler(http.server.BaseHTTPRequestHandler):
        def version_string(self) -> str:
            return name

        def do_HEAD(self) -> None:
            self.send_response(404)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = http.server.HTTPServer((LOCALHOST, 0), Handler)
    thread = threading.Thread(target=server.handle_request)
    thread.start()
    return server, thread


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (web_address.SERVER_NAME, "already shared"),
        ("something else", "another program already uses"),
    ],
)
def test_a_taken_port_says_whether_a_recording_is_shared_there(name: str, words: str) -> None:
    server, thread = serve_once(name)
    with pytest.raises(OptionError, match=words) as refused:
        listen(LOCALHOST, server.server_address[1])
    thread.join()
    server.server_close()
    assert refused.value.where == "--web-port"
    assert "--web-port" in refused.value.hint


@pytest.mark.parametrize("other", ["192.0.2.7", "no.such.name.invalid", "300.1.1.1"])
def test_an_address_that_is_not_this_computers_is_refused(other: str) -> None:
    with pytest.raises(OptionError, match="not an address of this computer") as refused:
        listen(other, 0)
    assert refused.value.where == "--address"


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.EACCES, "port 80 needs administrator rights"),
        (errno.EPERM, "port 80 needs administrator rights"),
        (errno.ENOBUFS, "127.0.0.1:80 cannot be used: no room"),
    ],
)
def test_what_a_system_refuses_is_told_as_what_it_is(monkeypatch, number, words) -> None:
    def refuse(*_: object) -> None:
        raise OSError(number, "no room")

    monkeypatch.setattr(
        web_address.socket, "socket", type("Refused", (socket.socket,), {"bind": refuse})
    )
    with pytest.raises(OptionError, match=words) as refused:
        listen(LOCALHOST, 80)
    assert refused.value.where == "--web-port"


def test_without_a_network_that_is_said(monkeypatch) -> None:
    def unreachable(*_: object) -> None:
        raise OSError(101, "Network is unreachable")

    monkeypatch.setattr(web_address.socket.socket, "connect", unreachable)
    monkeypatch.setattr(web_address.socket, "gethostbyname", lambda _: "127.0.1.1")
    with pytest.raises(OptionError, match="not connected to a network") as refused:
        network_address()
    assert "--address" in refused.value.hint
    monkeypatch.setattr(web_address.socket, "gethostbyname", lambda _: "10.42.0.1")
    assert network_address() == "10.42.0.1"
