"""What the kernel knows of a drive and of the way to it: kind, link, negotiated speed, hubs, power.

Read from sysfs as the kernel's ABI documents describe it (Documentation/ABI: sysfs-block, sysfs-bus-usb,
sysfs-devices-power). Its root is a parameter, so that tests can lay out a tree. What is not there is None: not
known, which is never the same as fine.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

SYSFS = Path("/sys")

Transport = Literal["usb", "sata", "nvme", "sd card", "virtual", "loop", "memory"]

# A file of sysfs is one value, at most a page.
_VALUE_LIMIT_BYTES = 4096
# Stacks of drives (encryption on a volume on a partition): deeper is a mistake.
_DEPTH_LIMIT = 16
# USB 2.0 specification, 9.6.3: bit 6 of bmAttributes says that the device feeds itself.
_SELF_POWERED = 0x40
# USB 3.2 specification, 9.2.6.6: a SuperSpeed device that runs at high speed says that it is of version 2.1.
_FASTER_ELSEWHERE = (2, 10)
_ATA = re.compile(r"ata(\d+)\Z")
_USB_DEVICE = re.compile(r"(?:usb\d+|\d+-\d+(?:\.\d+)*)\Z")


@dataclass(frozen=True)
class UsbDevice:
    """A device or hub on the way from the box to a drive.

    ``declared_ma`` is the most it says to draw from its port; ``may_sleep``: the kernel may suspend it by itself.
    """

    name: str  # as the kernel has it: "2-1.3", a root hub "usb2"
    speed_mbit_per_s: int | None  # as negotiated
    version: tuple[int, int] | None
    declared_ma: int | None
    self_powered: bool | None
    may_sleep: bool | None
    product: str | None
    is_hub: bool

    @property
    def is_root(self) -> bool:
        """Whether it stands for the controller in the box."""
        return self.name.startswith("usb")

    @property
    def fell_back(self) -> bool:
        """Whether it runs at 480 Mb/s or less while it says that it could run faster."""
        return (
            self.speed_mbit_per_s is not None
            and self.speed_mbit_per_s <= 480
            and self.version is not None
            and self.version >= _FASTER_ELSEWHERE
        )


@dataclass(frozen=True)
class Disk:
    """A whole drive. ``usb`` leads from the controller's root hub to the drive's own bridge, empty for others."""

    name: str  # "sda"
    transport: Transport | None
    size_bytes: int | None
    rotational: bool | None
    model: str | None
    link_mbit_per_s: int | None  # of SATA
    usb: tuple[UsbDevice, ...] = ()
    backing_file: str | None = None  # of a loop device

    @property
    def bridge(self) -> UsbDevice | None:
        """The USB device that the drive is."""
        return self.usb[-1] if self.usb else None


def disks_below(device: tuple[int, int], root: Path = SYSFS) -> list[Disk]:
    """The drives that a block device stands on: more than one below a stripe or mirror; none where sysfs has none."""
    start = root / "dev" / "block" / f"{device[0]}:{device[1]}"
    if not start.exists():
        return []
    return [_disk(path, root) for path in _whole(start.resolve(), 0)]


def shared_hub(one: Disk, other: Disk) -> UsbDevice | None:
    """The last hub that both hang on, which may be the root hub of the controller; None where they share none."""
    shared = None
    for mine, theirs in zip(one.usb, other.usb, strict=False):
        if mine.name != theirs.name:
            break
        shared = mine
    return shared


def _whole(path: Path, depth: int) -> Iterator[Path]:
    if depth > _DEPTH_LIMIT:
        return
    if (path / "partition").exists():
        path = path.parent
    below = sorted((path / "slaves").iterdir()) if (path / "slaves").is_dir() else []
    if not below:
        yield path
    for each in below:
        yield from _whole(each.resolve(), depth + 1)


def _disk(path: Path, root: Path) -> Disk:
    top = root.resolve()
    above = [each for each in path.parents if top in each.parents]  # from the drive towards the box
    usb = tuple(_usb_device(each) for each in reversed(above) if _USB_DEVICE.match(each.name) and _is_usb(each))
    sectors = _number(path / "size")
    return Disk(
        name=path.name,
        transport=_transport(path, above, usb),
        size_bytes=None if sectors is None else sectors * 512,  # in sectors of 512 bytes, whatever the drive's own
        rotational={0: False, 1: True}.get(_number(path / "queue" / "rotational")),  # type: ignore[arg-type]
        model=read_value(path / "device" / "model"),
        link_mbit_per_s=_sata_speed(above, root),
        usb=usb,
        backing_file=read_value(path / "loop" / "backing_file"),
    )


def _is_usb(path: Path) -> bool:
    return (path / "speed").exists() or (path / "idVendor").exists()


def _transport(path: Path, above: list[Path], usb: tuple[UsbDevice, ...]) -> Transport | None:
    if usb:
        return "usb"
    names = [each.name for each in above]
    if any(_ATA.match(name) for name in names):
        return "sata"
    by_name: tuple[tuple[str, Transport], ...] = (
        ("nvme", "nvme"), ("mmcblk", "sd card"), ("vd", "virtual"), ("loop", "loop"), ("zram", "memory"),
        ("ram", "memory"),
    )  # fmt: skip
    return next((transport for start, transport in by_name if path.name.startswith(start)), None)


def _usb_device(path: Path) -> UsbDevice:
    attributes = read_value(path / "bmAttributes")
    control = read_value(path / "power" / "control")
    return UsbDevice(
        name=path.name,
        speed_mbit_per_s=_leading_number(read_value(path / "speed")),  # "1.5" of low speed is of no drive
        version=_version(read_value(path / "version")),
        declared_ma=_leading_number(read_value(path / "bMaxPower")),
        self_powered=_bit(attributes, _SELF_POWERED),
        may_sleep=None if control is None else control == "auto",
        product=read_value(path / "product"),
        is_hub=read_value(path / "bDeviceClass") == "09",  # usb.org, defined class codes
    )


def _sata_speed(above: list[Path], root: Path) -> int | None:
    """The "6.0 Gbps" of the port that the drive hangs on (sysfs-ata)."""
    for each in above:
        if found := _ATA.match(each.name):
            said = read_value(root / "class" / "ata_link" / f"link{found[1]}" / "sata_spd")
            match = re.match(r"(\d+(?:\.\d+)?) Gbps", said or "")
            return None if match is None else round(float(match[1]) * 1000)
    return None


def network_speed_mbit_per_s(root: Path = SYSFS) -> dict[str, int | None]:
    """Each network interface with a cable of its own that is up, and what its link negotiated (sysfs-class-net)."""
    found: dict[str, int | None] = {}
    folder = root / "class" / "net"
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        is_wired = (path / "device").exists() and not (path / "wireless").exists()
        if is_wired and read_value(path / "operstate") == "up":
            speed = _number(path / "speed")
            found[path.name] = speed if speed is not None and speed > 0 else None  # -1: the driver does not know
    return found


def under_voltage(root: Path = SYSFS) -> bool | None:
    """Whether a sensor says that the supply sagged since the box was started; None where there is none (hwmon ABI)."""
    alarms = []
    folder = root / "class" / "hwmon"
    for path in sorted(folder.iterdir()) if folder.is_dir() else []:
        for alarm in sorted(path.glob("in*_lcrit_alarm")):
            value = _number(alarm)
            if value is not None:
                alarms.append(value != 0)
    return any(alarms) if alarms else None


# --- single values


def read_value(path: Path) -> str | None:
    """A value, without the newline; None where there is none or it cannot be read. Never raises."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        return os.read(fd, _VALUE_LIMIT_BYTES).decode("utf-8", "backslashreplace").strip() or None
    except OSError:  # many values of sysfs cannot be read while a device sleeps, or leaves
        return None
    finally:
        os.close(fd)


def _number(path: Path) -> int | None:
    text = read_value(path)
    try:
        return None if text is None else int(text)
    except ValueError:
        return None


def _leading_number(text: str | None) -> int | None:
    """480 of "480", 500 of "500mA"."""
    found = re.match(r"\d+", text or "")
    return None if found is None else int(found[0])


def _version(text: str | None) -> tuple[int, int] | None:
    found = re.match(r"(\d+)\.(\d+)", text or "")
    return None if found is None else (int(found[1]), int(found[2]))


def _bit(text: str | None, bit: int) -> bool | None:
    try:
        return None if text is None else bool(int(text, 16) & bit)
    except ValueError:
        return None
