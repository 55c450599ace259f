"""Bytes as they come off a port, cut into lines with the host's time on each.

A line ends at its newline and is otherwise kept as it came. What never ends is cut into
pieces, so memory stays bounded whatever arrives. Knows no port, clock or grammar.
"""

PIECE_BYTES = 4096
"""A line that reaches twice this length without a newline is cut into pieces of it."""

StampedLine = tuple[int, bytes]
"""Host time when the line's last byte was read [us], and the line without its newline."""


class LineFramer:
    """
    Cut a stream of bytes into lines.

    No piece of a cut line is shorter than `PIECE_BYTES`. So none can pass for a line of
    the board, all of which are shorter; the tail ``23`` of a broken line of digits must
    never be read as a time.
    """

    def __init__(self) -> None:
        self._unfinished = bytearray()

    def feed(self, host_us: int, data: bytes) -> list[StampedLine]:
        """
        Take in what was just read and return the lines it finished.

        Parameters
        ----------
        host_us : int
            Host time at which `data` was read [us].
        data : bytes
            Any bytes, cut anywhere.

        Returns
        -------
        list of (int, bytes)
            Finished lines in order, and pieces of a line without end.
        """
        *finished, rest = data.split(b"\n")
        lines: list[StampedLine] = []
        for part in finished:
            lines += self._pieces(host_us, part)
            lines.append((host_us, self.take_unfinished()))
        return lines + self._pieces(host_us, rest)

    def take_unfinished(self) -> bytes:
        """Return the bytes since the last newline or cut, and forget them."""
        rest = bytes(self._unfinished)
        self._unfinished.clear()
        return rest

    def _pieces(self, host_us: int, part: bytes) -> list[StampedLine]:
        self._unfinished += part
        held = len(self._unfinished)
        if held < 2 * PIECE_BYTES:
            return []
        end = (held // PIECE_BYTES - 1) * PIECE_BYTES
        whole = bytes(self._unfinished[:end])
        del self._unfinished[:end]
        return [(host_us, whole[i : i + PIECE_BYTES]) for i in range(0, end, PIECE_BYTES)]
