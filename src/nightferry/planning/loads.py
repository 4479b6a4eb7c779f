"""What each drive draws from the box, from what sysfs says of it and of the hubs before it."""

from __future__ import annotations

from nightferry.planning import power
from nightferry.volumes.sysfs import Disk, UsbDevice


def hub_before(disk: Disk) -> UsbDevice | None:
    """The hub that a USB drive hangs on; None where it is plugged into the box itself."""
    above = [each for each in disk.usb[:-1] if not each.is_root]
    return above[-1] if above else None


def port_ma(disk: Disk) -> int | None:
    """What the port of a USB drive has to give; None where the kernel does not say its speed."""
    bridge, hub = disk.bridge, hub_before(disk)
    if bridge is None or bridge.speed_mbit_per_s is None:
        return None
    return power.port_current_ma(bridge.speed_mbit_per_s, of_fed_hub=hub is not None and hub.self_powered is False)


def load(name: str, disk: Disk) -> power.Load | None:
    """None where the drive does not hang on USB, or does not say what it draws. Drives with platters are taken to spin
    up with more than they declare."""
    bridge, gives_ma = disk.bridge, port_ma(disk)
    if bridge is None or bridge.declared_ma is None or gives_ma is None:
        return None
    peak_ma = max(bridge.declared_ma, power.SPIN_UP_MA) if disk.rotational else bridge.declared_ma
    # The nearest hub with a supply feeds all behind it.
    is_fed = bool(bridge.self_powered) or any(hub.self_powered for hub in disk.usb[:-1] if not hub.is_root)
    return power.Load(name, bridge.declared_ma, peak_ma, gives_ma, is_fed)
