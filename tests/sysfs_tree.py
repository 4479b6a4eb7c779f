"""Sysfs trees as the kernel lays them out, made in a folder.

    tree = Tree(tmp_path)
    usb3 = tree.root_hub(2, 5000)
    tree.usb_disk(usb3, "2-1", "sda", (8, 0), speed=5000, version="3.20")

Paths as seen on real machines: a block device lies below the host that it hangs on, and ``dev/block`` and
``class`` have links into ``devices`` (Documentation/filesystems/sysfs.rst).
"""

from __future__ import annotations

import os
from pathlib import Path


class Tree:
    def __init__(self, root: Path) -> None:
        self.root = root
        for folder in ("dev/block", "class/net", "class/hwmon", "class/ata_link", "devices/virtual/block"):
            (root / folder).mkdir(parents=True)

    def write(self, folder: Path, **values: object) -> Path:
        """Attributes of a device; two underscores in a name stand for a slash."""
        for name, value in values.items():
            path = folder / name.replace("__", "/")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(f"{value}\n")
        return folder

    def _device(self, folder: Path, **values: object) -> Path:
        folder.mkdir(parents=True, exist_ok=True)
        return self.write(folder, **values)

    def root_hub(self, number: int, speed: int, controller: str = "0000:01:00.0") -> Path:
        return self._device(
            self.root / "devices/pci0000:00" / controller / f"usb{number}",
            speed=speed, version="3.00" if speed >= 5000 else "2.00", bMaxPower="0mA", bmAttributes="e0",
            bDeviceClass="09", product="xHCI Host Controller", idVendor="1d6b", power__control="auto",
        )  # fmt: skip

    def hub(self, parent: Path, name: str, speed: int, *, self_powered: bool) -> Path:
        return self._device(
            parent / name, speed=speed, version="3.20" if speed >= 5000 else "2.10", bMaxPower="100mA",
            bmAttributes="e0" if self_powered else "a0", bDeviceClass="09", product="Hub", idVendor="0000",
            power__control="auto",
        )  # fmt: skip

    def usb_disk(
        self, parent: Path, name: str, disk: str, number: tuple[int, int], *, speed: int, version: str,
        current: str = "896mA", attributes: str = "80", sleep: str = "on", rotational: int = 1,
    ) -> Path:  # fmt: skip
        bridge = self._device(
            parent / name, speed=speed, version=version, bMaxPower=current, bmAttributes=attributes,
            bDeviceClass="00", product="Portable Drive", idVendor="0000", power__control=sleep,
        )  # fmt: skip
        return self._block(bridge / f"{name}:1.0/host0/target0:0:0/0:0:0:0", disk, number, rotational)

    def sata_disk(self, port: int, disk: str, number: tuple[int, int], *, speed: str = "6.0 Gbps") -> Path:
        self.write(self.root / "class/ata_link" / f"link{port}", sata_spd=speed)
        above = self.root / f"devices/pci0000:00/0000:00:17.0/ata{port}/host{port}/target{port}:0:0/{port}:0:0:0"
        return self._block(above, disk, number, 1)

    def sd_card(self, disk: str, number: tuple[int, int]) -> Path:
        return self._block(self.root / "devices/platform/soc/mmc_host/mmc0/mmc0:aaaa", disk, number, 0)

    def loop(self, disk: str, number: tuple[int, int], backing: str) -> Path:
        folder = self._block(self.root / "devices/virtual", disk, number, 0, model=None)
        return self.write(folder, loop__backing_file=backing)

    def _block(
        self, above: Path, disk: str, number: tuple[int, int], rotational: int, model: str | None = "Portable"
    ) -> Path:
        folder = self._device(above / "block" / disk, size=1953525168, queue__rotational=rotational)
        if model is not None:
            self.write(above, model=f"{model}  ")
            (folder / "device").symlink_to("../..")
        self.link_block(number, folder)
        return folder

    def partition(self, disk: Path, name: str, number: tuple[int, int]) -> Path:
        folder = self._device(disk / name, partition=1, size=1953523120)
        self.link_block(number, folder)
        return folder

    def stacked(self, name: str, number: tuple[int, int], *below: Path) -> Path:
        """A mapped device or an array on other block devices."""
        folder = self._device(self.root / "devices/virtual/block" / name, size=100)
        (folder / "slaves").mkdir()
        for each in below:
            (folder / "slaves" / each.name).symlink_to(each)
        self.link_block(number, folder)
        return folder

    def link_block(self, number: tuple[int, int], folder: Path) -> None:
        link = self.root / "dev/block" / f"{number[0]}:{number[1]}"
        link.symlink_to(os.path.relpath(folder, link.parent))

    def interface(self, name: str, *, state: str = "up", speed: int | None = 1000, wired: bool = True) -> None:
        folder = self._device(self.root / "class/net" / name, operstate=state)
        if speed is not None:
            self.write(folder, speed=speed)
        if wired:
            (folder / "device").mkdir()

    def voltage_sensor(self, *, sagged: bool) -> None:
        self.write(self.root / "class/hwmon/hwmon1", name="supply", in0_lcrit_alarm=int(sagged))
