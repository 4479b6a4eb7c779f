"""The kernel's word on the clock, against timedatectl(1) where it answers, and sysfs trees."""

from __future__ import annotations

import subprocess
from pathlib import Path

from nightferry.volumes.clock import has_clock_chip, is_synchronised


def test_it_says_what_timedatectl_says() -> None:
    done = subprocess.run(
        ["timedatectl", "show", "--property=NTPSynchronized", "--value"], capture_output=True, check=False
    )
    said = {b"yes": True, b"no": False}.get(done.stdout.strip())
    found = is_synchronised()
    # Where no service runs that timedatectl could ask, there is the kernel's own answer, one of three.
    assert found is said if said is not None else found in (True, False, None)


def test_a_clock_chip_is_there_or_not_or_not_known(tmp_path: Path) -> None:
    assert has_clock_chip(tmp_path) is None
    (tmp_path / "class/rtc").mkdir(parents=True)
    assert has_clock_chip(tmp_path) is False
    (tmp_path / "class/rtc/rtc0").mkdir()
    assert has_clock_chip(tmp_path) is True
