"""Sysfs trees laid out as the kernel does it, and the real one of this machine."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from nightferry.volumes.sysfs import Disk, disks_below, network_speed_mbit_per_s, shared_hub, under_voltage
from sysfs_tree import Tree


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def only(tree: Tree, number: tuple[int, int]) -> Disk:
    (found,) = disks_below(number, tree.root)
    return found


def test_two_drives_on_one_hub_share_it(tree: Tree) -> None:
    hub = tree.hub(tree.root_hub(2, 5000), "2-1", 5000, self_powered=True)
    tree.usb_disk(hub, "2-1.1", "sda", (8, 0), speed=5000, version="3.20")
    tree.usb_disk(hub, "2-1.2", "sdb", (8, 16), speed=5000, version="3.20")
    shared = shared_hub(only(tree, (8, 0)), only(tree, (8, 16)))
    assert shared is not None
    assert (shared.name, shared.is_hub, shared.is_root, shared.self_powered) == ("2-1", True, False, True)


def test_two_drives_on_two_ports_share_the_controller(tree: Tree) -> None:
    root = tree.root_hub(2, 5000)
    tree.usb_disk(root, "2-1", "sda", (8, 0), speed=5000, version="3.20")
    tree.usb_disk(root, "2-2", "sdb", (8, 16), speed=5000, version="3.20")
    shared = shared_hub(only(tree, (8, 0)), only(tree, (8, 16)))
    assert shared is not None
    assert shared.is_root


def test_two_drives_on_two_controllers_share_nothing(tree: Tree) -> None:
    tree.usb_disk(tree.root_hub(2, 5000), "2-1", "sda", (8, 0), speed=5000, version="3.20")
    tree.usb_disk(tree.root_hub(4, 5000, "0000:02:00.0"), "4-1", "sdb", (8, 16), speed=5000, version="3.20")
    assert shared_hub(only(tree, (8, 0)), only(tree, (8, 16))) is None


def test_a_drive_that_fell_back_to_480_is_seen(tree: Tree) -> None:
    slow = tree.root_hub(1, 480)
    tree.usb_disk(slow, "1-1", "sda", (8, 0), speed=480, version="2.10", current="500mA", sleep="auto")
    tree.usb_disk(slow, "1-2", "sdb", (8, 16), speed=480, version="2.00")
    tree.usb_disk(tree.root_hub(2, 5000), "2-3", "sdc", (8, 32), speed=5000, version="3.20")
    fallen, old, fast = (only(tree, (8, minor)).bridge for minor in (0, 16, 32))
    assert fallen is not None
    assert old is not None
    assert fast is not None
    assert (fallen.fell_back, old.fell_back, fast.fell_back) == (True, False, False)
    assert (fallen.speed_mbit_per_s, fallen.declared_ma, fallen.self_powered, fallen.may_sleep) == (
        480,
        500,
        False,
        True,
    )


def test_a_partition_leads_to_its_drive(tree: Tree) -> None:
    disk = tree.usb_disk(tree.root_hub(2, 5000), "2-1", "sda", (8, 0), speed=5000, version="3.20")
    tree.partition(disk, "sda1", (8, 1))
    found = only(tree, (8, 1))
    assert (found.name, found.transport, found.rotational, found.model) == ("sda", "usb", True, "Portable")
    assert found.size_bytes == 1953525168 * 512


def test_an_encrypted_mirror_leads_to_both_drives(tree: Tree) -> None:
    disks = [tree.sata_disk(port, f"sd{'ab'[port - 1]}", (8, 16 * port)) for port in (1, 2)]
    array = tree.stacked("md0", (9, 0), *disks)
    tree.stacked("dm-0", (253, 0), array)
    assert [disk.name for disk in disks_below((253, 0), tree.root)] == ["sda", "sdb"]


def test_a_stack_that_goes_in_circles_ends(tree: Tree) -> None:
    one = tree.stacked("dm-0", (253, 0))
    other = tree.stacked("dm-1", (253, 1), one)
    (one / "slaves" / "dm-1").symlink_to(other)
    assert disks_below((253, 0), tree.root) == []


def test_internal_sata(tree: Tree) -> None:
    tree.sata_disk(3, "sda", (8, 0))
    found = only(tree, (8, 0))
    assert (found.transport, found.link_mbit_per_s, found.usb) == ("sata", 6000, ())


def test_an_sd_card_and_a_loop_device(tree: Tree) -> None:
    tree.sd_card("mmcblk0", (179, 0))
    tree.loop("loop4", (7, 4), "/srv/recordings.img")
    card, loop = only(tree, (179, 0)), only(tree, (7, 4))
    assert (card.transport, card.rotational) == ("sd card", False)
    assert (loop.transport, loop.backing_file, loop.model) == ("loop", "/srv/recordings.img", None)


def test_what_sysfs_does_not_say_is_not_known(tree: Tree) -> None:
    folder = tree.root / "devices/strange/block/xyz0"
    folder.mkdir(parents=True)
    tree.link_block((240, 0), folder)
    assert only(tree, (240, 0)) == Disk("xyz0", None, None, None, None, None)
    assert disks_below((240, 1), tree.root) == []


@pytest.mark.parametrize("value", ["", "fast", "\x00\xff", "9" * 5000])
def test_values_that_make_no_sense_are_not_known(tree: Tree, value: str) -> None:
    disk = tree.usb_disk(tree.root_hub(2, 5000), "2-1", "sda", (8, 0), speed=5000, version="3.20")
    (disk / "queue/rotational").write_text(value)
    (disk / "size").write_text(value[:10])
    found = only(tree, (8, 0))
    assert found.rotational is None


def test_network_links(tree: Tree) -> None:
    tree.interface("eth0", speed=1000)
    tree.interface("eth1", speed=100, state="down")
    tree.interface("eth2", speed=-1)
    tree.interface("lo", wired=False)
    assert network_speed_mbit_per_s(tree.root) == {"eth0": 1000, "eth2": None}


def test_under_voltage_is_known_only_with_a_sensor(tree: Tree) -> None:
    assert under_voltage(tree.root) is None
    tree.voltage_sensor(sagged=True)
    assert under_voltage(tree.root) is True


def test_the_real_sysfs_of_this_machine() -> None:
    device = os.stat("/").st_dev
    for disk in disks_below((os.major(device), os.minor(device))):
        sectors = int(Path("/sys/class/block", disk.name, "size").read_text())
        assert disk.size_bytes == sectors * 512
    assert set(network_speed_mbit_per_s()) <= set(os.listdir("/sys/class/net"))
