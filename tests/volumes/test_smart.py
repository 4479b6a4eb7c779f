"""Drives' own words on their health: JSON as smartctl 7.3 writes it, and smartctl on a drive that says nothing."""

from __future__ import annotations

import json
import stat
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drives import MIB, DriveFactory, need_tools
from nightferry.volumes.smart import Answer, Health, ask, understand

# The shapes follow smartctl(8) and its JSON output; the drives are invented.
ATA: dict[str, Any] = {
    "json_format_version": [1, 0],
    "smartctl": {"version": [7, 3], "exit_status": 0},
    "device": {"name": "/dev/sda", "type": "sat", "protocol": "ATA"},
    "smart_status": {"passed": True},
    "ata_smart_attributes": {
        "table": [
            {"id": 5, "name": "Reallocated_Sector_Ct", "value": 100, "thresh": 36, "raw": {"value": 0}},
            {"id": 197, "name": "Current_Pending_Sector", "value": 100, "thresh": 0, "raw": {"value": 0}},
            {"id": 198, "name": "Offline_Uncorrectable", "value": 100, "thresh": 0, "raw": {"value": 0}},
        ]
    },
    "power_on_time": {"hours": 8123},
    "temperature": {"current": 38},
    "ata_smart_self_test_log": {"standard": {"table": [{"status": {"value": 0, "passed": True}}], "count": 1}},
}
NVME: dict[str, Any] = {
    "smart_status": {"passed": True, "nvme": {"value": 0}},
    "nvme_smart_health_information_log": {"percentage_used": 7, "media_errors": 2, "temperature": 41},
    "temperature": {"current": 41},
    "power_on_time": {"hours": 900},
}


def said(document: dict[str, Any], exit_status: int = 0) -> Health:
    found = understand(json.dumps(document).encode(), exit_status).health
    assert found is not None
    return found


def with_raw(**raw: int) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(json.dumps(ATA))
    for row in document["ata_smart_attributes"]["table"]:
        row["raw"]["value"] = raw.get(row["name"], 0)
    return document


def test_a_healthy_drive() -> None:
    assert said(ATA) == Health(False, 0, 0, 0, True, 38, 8123)


def test_a_failing_drive_with_bad_sectors() -> None:
    document = with_raw(Reallocated_Sector_Ct=812, Current_Pending_Sector=16, Offline_Uncorrectable=3)
    document["smart_status"]["passed"] = False
    found = said(document, 0x08 | 0x10 | 0x40)
    assert (found.failing, found.reallocated, found.pending, found.uncorrectable) == (True, 812, 16, 3)
    assert (found.below_threshold, found.was_below_threshold, found.errors_logged) == (True, False, True)


def test_an_nvme_drive() -> None:
    found = said(NVME)
    assert (found.failing, found.uncorrectable, found.wear_share, found.reallocated) == (False, 2, 0.07, None)


@pytest.mark.parametrize(
    ("bit", "attribute", "value"),
    [
        # smartctl(8), EXIT STATUS, bits 3 to 7.
        (3, "failing", True),
        (4, "below_threshold", True),
        (5, "was_below_threshold", True),
        (6, "errors_logged", True),
        (7, "self_test_passed", False),
    ],
)
def test_each_bit_of_the_exit_status(bit: int, attribute: str, value: bool) -> None:
    assert getattr(said(ATA), attribute) is not value
    assert getattr(said(ATA, 1 << bit), attribute) is value


@pytest.mark.parametrize("bit", [0, 1])
def test_a_bridge_that_passes_nothing_on_is_not_known(bit: int) -> None:
    document = {"smartctl": {"messages": [{"string": "Unknown USB bridge", "severity": "error"}]}}
    found = understand(json.dumps(document).encode(), 1 << bit)
    assert found.health is None
    assert found.messages == ["Unknown USB bridge"]


def test_whoever_is_not_root_is_told_so_and_no_bridge_is_blamed() -> None:
    document = {"smartctl": {"messages": [{"string": "Smartctl open device: /dev/sda failed: Permission denied"}]}}
    found = understand(json.dumps(document).encode(), 2)
    assert (found.health, "as root" in found.why, "bridge" in found.why) == (None, True, False)


def test_the_newest_self_test_that_came_to_an_end_counts() -> None:
    # One that somebody stopped has no judgement, and says nothing against the one before it.
    document = json.loads(json.dumps(ATA))
    document["ata_smart_self_test_log"]["standard"]["table"].insert(0, {"status": {"value": 25}})
    assert said(document).self_test_passed is True
    assert said({**ATA, "ata_smart_self_test_log": {"standard": {"table": []}}}).self_test_passed is None


@pytest.mark.parametrize(("results", "passed"), [([0], True), ([2, 0], True), ([7, 0], False), ([2], None)])
def test_self_tests_of_an_nvme_drive(results: list[int], passed: bool | None) -> None:
    table = [{"self_test_result": {"value": each}} for each in results]
    assert said({**NVME, "nvme_self_test_log": {"table": table}}).self_test_passed is passed


def test_an_answer_that_says_nothing_is_not_healthy() -> None:
    assert understand(b'{"smartctl": {"exit_status": 4}}', 4).health is None


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(max_size=5),
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(
                st.sampled_from([*ATA, *NVME, "table", "raw", "value", "id", "passed"]), inner, max_size=5
            )
        ),
        max_leaves=25,
    ),
    st.integers(-15, 255),
)
def test_nothing_that_is_said_raises(document: object, exit_status: int) -> None:
    found = understand(json.dumps(document).encode(), exit_status)
    assert (found.health is None) == bool(found.why)


def test_no_tool_is_not_known() -> None:
    found = ask("/dev/null", tool="smartctl-that-is-not-there")
    assert found.health is None
    assert "not installed" in found.why


def test_a_drive_that_does_not_answer(tmp_path: Path) -> None:
    slow = tmp_path / "slow"
    slow.write_text("#!/bin/sh\nexec sleep 60\n")
    slow.chmod(slow.stat().st_mode | stat.S_IXUSR)
    found = ask("/dev/null", tool=str(slow), time_limit_s=0.2)
    assert found == Answer(None, "the drive did not answer smartctl within 0 s")


def test_the_real_tool_on_a_loop_drive(drives: DriveFactory) -> None:
    need_tools("smartctl")
    drive = drives("ext4", 16 * MIB)
    found = ask(drive.device)
    assert found.health is None
    assert found.messages  # its own words on why: a loop device is no drive
