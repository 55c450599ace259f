"""Let pyserial read all waiting bytes of a ``socket://HOST:PORT`` connection in one call.

Without this module, pyserial would give only one byte per call. pyserial finds this module by
its file name.
"""

import socket
from contextlib import suppress

from serial.urlhandler import protocol_socket

PIECE_BYTES = 1 << 16
"""The largest number of waiting bytes that `in_waiting` reports."""


class Serial(protocol_socket.Serial):
    """A network connection that the program uses like a serial port."""

    _socket: socket.socket | None = None

    @property
    def in_waiting(self) -> int:
        """
        Number of bytes that can be read at once, at most `PIECE_BYTES`.

        If the connection is lost, the result is 0; the next call of `read` detects the loss.
        """
        if self._socket is None:
            return super().in_waiting
        with suppress(OSError):
            return len(self._socket.recv(PIECE_BYTES, socket.MSG_PEEK))
        return 0

    def reset_input_buffer(self) -> None:
        """Keep all received bytes; in pyserial, this method normally deletes them."""

    def close(self) -> None:
        """Close the connection, even if it is lost already."""
        line, self._socket = self._socket, None
        self.is_open = False
        if line is not None:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
