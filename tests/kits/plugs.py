"""Boards on USB as the system lists them, for tests that plug and unplug them."""

from pathlib import Path

from serial.tools.list_ports_common import ListPortInfo


class Plugs:
    """Stands for pyserial's list of ports."""

    def __init__(self) -> None:
        self._ports: dict[str, ListPortInfo] = {}

    def plug(
        self,
        device: Path | str,
        serial_number: str | None = None,
        *,
        vendor: int | None = 0x1A86,
        product: int = 0x7523,
        location: str = "1-1",
        description: str = "USB Serial",
    ) -> None:
        """Let a device be listed."""
        port = ListPortInfo(str(device), skip_link_detection=True)
        port.description, port.location = description, location
        if vendor is not None:
            port.vid, port.pid, port.serial_number = vendor, product, serial_number
        self._ports[str(device)] = port

    def unplug(self, device: Path | str) -> None:
        """Let it be listed no more."""
        del self._ports[str(device)]

    def __call__(self, include_links: bool = False) -> list[ListPortInfo]:
        return list(self._ports.values())
