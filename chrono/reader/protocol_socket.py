"""A pyserial handler of ``socket://HOST:PORT`` that gives all waiting bytes at once.

pyserial's own handler only reports that some bytes wait, so a reader gets one byte per call.
pyserial finds this module by its name.
"""

import socket
from contextlib import suppress

from serial.urlhandler import protocol_socket

PIECE_BYTES = 1 << 16
"""Largest number of waiting bytes that is reported."""


class Serial(protocol_socket.Serial):
    """A socket as a port."""

    _socket: socket.socket | None = None

    @property
    def in_waiting(self) -> int:
        """
        Bytes that can be read at once, up to `PIECE_BYTES`.

        Number of waiting bytes; 0 if the connection is lost (the next read detects that).
        """
        if self._socket is None:
            return super().in_waiting
        with suppress(OSError):
            return len(self._socket.recv(PIECE_BYTES, socket.MSG_PEEK))
        return 0

    def reset_input_buffer(self) -> None:
        """Keep all bytes received since the connection was made: the board sent them."""

    def close(self) -> None:
        """Close the connection, even if it is lost already."""
        line, self._socket = self._socket, None
        self.is_open = False
        if line is not None:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
