"""Who is who: devices by their address, and the source behind each bus."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Address = tuple[str, int]  # bus name, address


@dataclass(frozen=True, slots=True)
class Names:
    """What the bench says about names; empty for loose files."""

    devices: Mapping[Address, str] = field(default_factory=dict)  # -> device name
    parties: Mapping[str, str] = field(default_factory=dict)  # device name -> party, where set
    bus_sources: Mapping[str, str] = field(default_factory=dict)  # bus name -> source name

    def device(self, bus: str, address: int, bits: int = 7) -> str:
        """The device's name; of one without, its address: "0x2E on i2c-1"."""
        return self.devices.get((bus, address)) or f"{address_text(address, bits)} on {bus}"

    def party(self, device: str) -> str:
        """The party a device belongs to: itself, where nothing else was said."""
        return self.parties.get(device, device)

    def address_of(self, device: str) -> Address | None:
        """Where a named device sits."""
        return next((at for at, name in self.devices.items() if name == device), None)

    def source_of_device(self, device: str) -> str:
        """The source in which a named device is seen; "" if that is not known."""
        at = self.address_of(device)
        return self.bus_sources.get(at[0], "") if at else ""


def address_text(address: int, bits: int = 7) -> str:
    """`0x2E`; a 10-bit address has three digits."""
    return f"0x{address:03X}" if bits == 10 else f"0x{address:02X}"
