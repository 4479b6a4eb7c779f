"""Findings of drives, from sysfs trees as the kernel lays them out and from what smartctl says."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightferry.planning import drive_findings
from nightferry.planning.findings import Finding, State
from nightferry.volumes.io_errors import Counted
from nightferry.volumes.smart import Answer, Health
from nightferry.volumes.sysfs import Disk, disks_below
from sysfs_tree import Tree

A, B = (8, 0), (8, 16)
HEALTHY = Health(failing=False, reallocated=0, pending=0, uncorrectable=0, self_test_passed=True, temperature_c=35)


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path / "sys")


def disk(tree: Tree, number: tuple[int, int] = A) -> Disk:
    (found,) = disks_below(number, tree.root)
    return found


def by_code(found: list[Finding]) -> dict[str, Finding]:
    return {each.code: each for each in found}


def test_two_drives_on_two_ports_at_full_speed_share_the_controller(tree: Tree) -> None:
    usb = tree.root_hub(2, 5000)
    tree.usb_disk(usb, "2-1", "sda", A, speed=5000, version="3.20")
    tree.usb_disk(usb, "2-2", "sdb", B, speed=5000, version="3.20")
    found = by_code(list(drive_findings.disk("primary", [disk(tree)])))
    assert {found[code].state for code in ("drive", "link", "power")} == {State.OK}
    assert "5,000 Mb/s" in found["link"].found
    shared = by_code(list(drive_findings.both([disk(tree)], [disk(tree, B)])))["shared"]
    assert shared.state is State.NOTE
    assert "one USB controller (usb2)" in shared.found


def test_two_drives_on_one_hub_are_told_to_use_two_ports(tree: Tree) -> None:
    hub = tree.hub(tree.root_hub(2, 5000), "2-1", 5000, self_powered=True)
    tree.usb_disk(hub, "2-1.1", "sda", A, speed=5000, version="3.20")
    tree.usb_disk(hub, "2-1.2", "sdb", B, speed=5000, version="3.20")
    found = by_code(list(drive_findings.both([disk(tree)], [disk(tree, B)])))
    assert "one hub (2-1)" in found["shared"].found
    assert "power_together" not in found  # that hub feeds them


def test_a_drive_that_fell_back_wants_attention(tree: Tree) -> None:
    tree.usb_disk(tree.root_hub(1, 480), "1-1", "sda", A, speed=480, version="2.10", current="500mA")
    found = by_code(list(drive_findings.disk("secondary", [disk(tree)])))
    assert found["link"].state is State.ATTENTION
    assert "480 Mb/s" in found["link"].found
    assert "USB 3" in found["link"].todo


def test_a_drive_that_fell_back_behind_a_hub_may_have_done_so_with_the_hub(tree: Tree) -> None:
    hub = tree.hub(tree.root_hub(1, 480), "1-1", 480, self_powered=True)
    tree.usb_disk(hub, "1-1.1", "sda", A, speed=480, version="2.10", current="500mA")
    link = by_code(list(drive_findings.disk("secondary", [disk(tree)])))["link"]
    assert link.state is State.ATTENTION
    assert "the hub before it (1-1)" in link.todo


def test_a_hub_of_usb_3_is_not_blamed_for_its_half_of_usb_2(tree: Tree) -> None:
    # It says 2.10 and runs at 480 Mb/s by design (USB 3.2 specification, chapter 10).
    hub = tree.hub(tree.root_hub(1, 480), "1-1", 480, self_powered=True)
    tree.usb_disk(hub, "1-1.1", "sda", A, speed=480, version="2.00", current="500mA")
    found = list(drive_findings.disk("secondary", [disk(tree)]))
    assert [each.state for each in found if each.code == "link"] == [State.NOTE]


def test_a_drive_of_usb_2_is_only_noted(tree: Tree) -> None:
    tree.usb_disk(tree.root_hub(1, 480), "1-1", "sda", A, speed=480, version="2.00", current="500mA")
    assert by_code(list(drive_findings.disk("secondary", [disk(tree)])))["link"].state is State.NOTE


def test_a_drive_that_asks_more_than_its_port_gives(tree: Tree) -> None:
    tree.usb_disk(tree.root_hub(1, 480), "1-1", "sda", A, speed=480, version="2.00", current="896mA")
    power = by_code(list(drive_findings.disk("secondary", [disk(tree)])))["power"]
    assert power.state is State.ATTENTION
    assert "896 mA" in power.found
    assert "500 mA" in power.found


@pytest.mark.parametrize(
    ("speed", "gives"),
    [(480, "100 mA"), (5000, "150 mA")],  # one unit load: USB 2.0 specification, 7.2.1; USB 3.2 specification, 11.4
)
def test_a_hub_without_a_supply_gives_each_port_one_unit_load(tree: Tree, speed: int, gives: str) -> None:
    hub = tree.hub(tree.root_hub(1, speed), "1-1", speed, self_powered=False)
    tree.usb_disk(hub, "1-1.1", "sda", A, speed=speed, version="3.20", current="500mA")
    power = by_code(list(drive_findings.disk("secondary", [disk(tree)])))["power"]
    assert power.state is State.ATTENTION
    assert "the hub 1-1, which has no supply of its own" in power.found
    assert gives in power.found


def test_two_drives_with_platters_start_up_with_more_than_a_board_gives(tree: Tree) -> None:
    usb = tree.root_hub(2, 5000)
    tree.usb_disk(usb, "2-1", "sda", A, speed=5000, version="3.20")
    tree.usb_disk(usb, "2-2", "sdb", B, speed=5000, version="3.20")
    found = by_code(list(drive_findings.both([disk(tree)], [disk(tree, B)])))
    assert "2,000 mA" in found["power_together"].found


def test_autosuspend_is_noted(tree: Tree) -> None:
    tree.usb_disk(tree.root_hub(2, 5000), "2-1", "sda", A, speed=5000, version="3.20", sleep="auto")
    sleep = by_code(list(drive_findings.disk("primary", [disk(tree)])))["sleep"]
    assert sleep.state is State.NOTE
    assert "/sys/bus/usb/devices/2-1/power/control" in sleep.todo


def test_sata_an_sd_card_and_a_loop_device(tree: Tree) -> None:
    tree.sata_disk(1, "sda", A)
    found = by_code(list(drive_findings.disk("primary", [disk(tree)])))
    assert found["link"].state is State.OK
    assert "SATA 6 Gb/s" in found["link"].found
    tree.sd_card("mmcblk0", B)
    assert by_code(list(drive_findings.disk("secondary", [disk(tree, B)])))["drive"].state is State.ATTENTION
    tree.loop("loop7", (7, 7), "/srv/recordings.img")
    loop = disk(tree, (7, 7))
    assert by_code(list(drive_findings.disk("secondary", [loop])))["drive"].state is State.NOTE
    assert by_code(list(drive_findings.both([disk(tree)], [loop])))["shared"].state is State.UNKNOWN


def test_how_a_drive_hangs_on_the_box_is_not_known_where_the_kernel_does_not_say(tree: Tree) -> None:
    tree.sata_disk(1, "sda", A)
    tree.link_block(B, tree._device(tree.root / "devices/strange/block/xyz0"))
    strange = disk(tree, B)
    assert by_code(list(drive_findings.disk("secondary", [strange])))["link"].state is State.UNKNOWN
    assert by_code(list(drive_findings.both([disk(tree)], [strange])))["shared"].state is State.UNKNOWN
    tree.sata_disk(2, "sdc", (8, 32))
    assert by_code(list(drive_findings.both([disk(tree)], [disk(tree, (8, 32))])))["shared"].state is State.OK


def test_both_sides_on_one_drive_is_no_second_copy(tree: Tree) -> None:
    whole = tree.sata_disk(1, "sda", A)
    tree.partition(whole, "sda1", (8, 1))
    tree.partition(whole, "sda2", (8, 2))
    (found,) = drive_findings.both([disk(tree, (8, 1))], [disk(tree, (8, 2))])
    assert (found.code, found.state) == ("same_drive", State.ATTENTION)


def test_nothing_in_sysfs_is_not_known(tree: Tree) -> None:
    assert {each.state for each in drive_findings.disk("primary", disks_below(A, tree.root))} == {State.UNKNOWN}
    assert {each.state for each in drive_findings.both([], [])} == {State.UNKNOWN}


def health_of(tree: Tree, answer: Answer) -> dict[str, Finding]:
    tree.sata_disk(1, "sda", A)
    return by_code(list(drive_findings.health("secondary", disk(tree), answer)))


def test_a_healthy_drive(tree: Tree) -> None:
    found = health_of(tree, Answer(HEALTHY))
    assert {code: each.state for code, each in found.items()} == {"health": State.OK}
    assert "35 °C" in found["health"].found


def test_what_a_drive_does_not_count_is_not_known(tree: Tree) -> None:
    tree.sata_disk(1, "sda", A)
    said = list(drive_findings.health("secondary", disk(tree), Answer(Health(failing=False, self_test_passed=True))))
    assert [each.state for each in said] == [State.OK, State.UNKNOWN]
    assert "how many sectors could not be read and its temperature" in said[1].found


@pytest.mark.parametrize(
    ("past", "words"),
    [({"was_below_threshold": True}, "at its limit once"), ({"errors_logged": True}, "errors in its log")],
)
def test_what_may_be_over_is_noted_and_no_alarm(tree: Tree, past: dict[str, bool], words: str) -> None:
    found = health_of(tree, Answer(Health(**{**vars(HEALTHY), **past})))  # type: ignore[arg-type]
    assert (found["health"].state, found["health_past"].state) == (State.OK, State.NOTE)
    assert words in found["health_past"].found


def test_of_a_bridge_that_passes_nothing_on_smartctls_own_words_are_told(tree: Tree) -> None:
    found = health_of(tree, Answer(None, "it does not pass this on", ["Unknown USB bridge [0x0000:0x0000]"]))["health"]
    assert found.state is State.UNKNOWN
    assert "smartctl: Unknown USB bridge" in found.meaning


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"failing": True}, "it is failing"),
        ({"pending": 8}, "8 sectors that could not be read"),
        ({"uncorrectable": 1}, "1 uncorrectable"),
        ({"reallocated": 1200}, "1,200 replaced sectors"),
        ({"self_test_passed": False}, "a self-test that failed"),
        ({"below_threshold": True}, "a value at its limit"),
        ({"wear_share": 0.97}, "97% of its endurance"),
    ],
)
def test_a_failing_drive_is_to_be_replaced_and_not_worked_harder(
    tree: Tree, bad: dict[str, object], words: str
) -> None:
    found = health_of(tree, Answer(Health(**{**vars(HEALTHY), **bad})))["health"]  # type: ignore[arg-type]
    assert found.state is State.ATTENTION
    assert words in found.found
    assert "should not be worked harder" in found.todo


def test_a_drive_that_says_nothing_is_not_healthy_but_not_known(tree: Tree) -> None:
    found = health_of(tree, Answer(None, "the bridge does not pass this question on"))["health"]
    assert found.state is State.UNKNOWN
    assert "bridge" in found.meaning


def test_heat_and_a_missing_self_test(tree: Tree) -> None:
    found = health_of(tree, Answer(Health(failing=False, temperature_c=60)))
    assert found["temperature"].state is State.ATTENTION
    assert found["self_test"].state is State.UNKNOWN


def test_errors_since_the_last_night() -> None:
    def state(now: Counted, earlier: Counted | None) -> State:
        return drive_findings.io_errors("secondary", now, earlier).state

    assert state(Counted(None, None), None) is State.UNKNOWN
    assert state(Counted(3, 0), Counted(3, 0)) is State.OK
    assert state(Counted(9, 0), Counted(3, 0)) is State.NOTE
    assert state(Counted(1_003, 0), Counted(3, 0)) is State.ATTENTION
    assert state(Counted(1_003, 0), None) is State.NOTE  # of how long nobody knows
    # A side that counts nothing is not said to be without errors.
    for now, words in ((Counted(0, None), "file system itself counts none"), (Counted(None, 0), "drive itself counts")):
        assert words in drive_findings.io_errors("secondary", now, None).found
    assert state(Counted(3, 2), Counted(3, 1)) is State.ATTENTION
    assert state(Counted(3, 1), Counted(3, 1)) is State.OK
    assert state(Counted(0, 1), None) is State.ATTENTION
