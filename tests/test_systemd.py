"""The units, read by systemd itself."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).parent.parent / "systemd"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)")
def test_units_are_what_systemd_understands(tmp_path: Path) -> None:
    # The units name the installed program; here a program that exists stands in its place.
    for unit in UNITS.iterdir():
        text = unit.read_text().replace("/usr/local/bin/nightferry", "/bin/true")
        (tmp_path / unit.name).write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *map(str, sorted(tmp_path.iterdir()))],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_the_timer_starts_at_the_default_start() -> None:
    from nightferry.settings import PairSettings

    start = PairSettings.model_fields["start"].default
    assert f"OnCalendar=*-*-* {start:%H:%M:%S}" in (UNITS / "nightferry-night.timer").read_text()


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)")
def test_the_service_is_exposed_by_2_at_most(tmp_path: Path) -> None:
    """What `systemd-analyze security` reckons, from 0 to 10; the unit says why each point stays open."""
    text = (UNITS / "nightferry.service").read_text().replace("/usr/local/bin/nightferry", "/bin/true")
    (tmp_path / "nightferry.service").write_text(text)
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", tmp_path / "nightferry.service"],
        capture_output=True,
        text=True,
        check=False,
    )
    # With a threshold, in tenths, systemd-analyze(1) fails where it is passed.
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Overall exposure level" in done.stdout
