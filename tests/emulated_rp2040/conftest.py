"""The emulated RP2040 is built and run as the other emulated board is."""

from emulated_board.conftest import make_pico, script

__all__ = ["make_pico", "script"]
