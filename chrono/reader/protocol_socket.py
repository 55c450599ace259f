"""pyserial's handler of ``socket://HOST:PORT``, made to give all bytes that are there at once.

pyserial's own says of a socket only that something waits, so whoever reads it takes one byte
a call. The module's name is what pyserial looks for.
"""

import socket
from contextlib import suppress

from serial.urlhandler import protocol_socket

PIECE_BYTES = 1 << 16
"""The most that is told to wait."""


class Serial(protocol_socket.Serial):
    """A socket as a port."""

    _socket: socket.socket | None = None

    @property
    def in_waiting(self) -> int:
        """
        Bytes that can be read at once, up to `PIECE_BYTES`.

        None are told where the other end is gone: the read that follows finds out.
        """
        if self._socket is None:
            return super().in_waiting
        with suppress(OSError):
            return len(self._socket.recv(PIECE_BYTES, socket.MSG_PEEK))
        return 0

    def reset_input_buffer(self) -> None:
        """Keep what has come since the connection was made: the board has said it to us."""

    def close(self) -> None:
        """Close it, also where the other end is gone already."""
        line, self._socket = self._socket, None
        self.is_open = False
        if line is not None:
            with suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)
            line.close()
