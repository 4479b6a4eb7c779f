"""A secondary whose file system contradicts itself, as one does that a lying drive left (tests/power): what a night says.

Made with debugfs on a real ext4, and put right by e2fsck, both of e2fsprogs.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from harness import Pair, contents

from drives import MIB, Drive, DriveFactory, run

KYRIE = "2026-05 spring concert/01 kyrie.wav"


@pytest.fixture
def pair(drives: DriveFactory, tmp_path: Path) -> Pair:
    made = (drives("ext4", 32 * MIB), drives("ext4", 64 * MIB))
    pair = Pair(*made, tmp_path / "state", verify_cycle="1d")
    pair.write(KYRIE, b"kyrie " * 1000)
    pair.write("programme.txt", "Kyrie\n")
    pair.run_well()
    return pair


def debugfs(drive: Drive, *requests: str) -> None:
    drive.unmount()
    for request in requests:
        run("debugfs", "-w", "-R", request, drive.device)
    drive.mount()


def check_file_system(drive: Drive) -> None:
    """As a person does who is told to; e2fsck ends with 1 where it put something right."""
    drive.unmount()
    run("e2fsck", "-f", "-y", drive.device, check=False)
    run("e2fsck", "-f", "-n", drive.device)
    drive.mount()
