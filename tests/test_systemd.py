"""The units, read by systemd itself."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

UNITS = Path(__file__).parent.parent / "systemd"


needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze (Debian: systemd)"
)
SERVICES = ("nightferry.service", "nightferry-night.service")


def lay_out(folder: Path, *, with_network: bool = False) -> list[Path]:
    """The units as an administrator has them; a program that exists stands in place of the installed one."""
    units = []
    for unit in UNITS.glob("nightferry*"):
        text = unit.read_text().replace("/usr/local/bin/nightferry", "/bin/true")
        (folder / unit.name).write_text(text)
        units.append(folder / unit.name)
    if with_network:
        for name in SERVICES:
            (folder / f"{name}.d").mkdir()
            shutil.copy(UNITS / "network.conf", folder / f"{name}.d")
    return sorted(units)


@needs_systemd
@pytest.mark.parametrize("with_network", [False, True])
def test_units_are_what_systemd_understands(tmp_path: Path, with_network: bool) -> None:
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", *lay_out(tmp_path, with_network=with_network)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_the_two_services_may_do_the_same() -> None:
    """A copy, since a unit cannot take in another's settings: so that neither is forgotten."""

    def rights(name: str) -> list[str]:
        lines = (UNITS / name).read_text().partition("# A night gives way")[2].splitlines()
        return [line for line in lines if line and not line.startswith(("#", "["))]

    found = [rights(name) for name in SERVICES]
    assert len(found[0]) > 30
    assert found[0][: len(found[1])] == found[1]
    assert found[0][len(found[1]) :] == ["WantedBy=multi-user.target"]


def test_the_timer_starts_at_the_default_start() -> None:
    from nightferry.settings import PairSettings

    start = PairSettings.model_fields["start"].default
    assert f"OnCalendar=*-*-* {start:%H:%M:%S}" in (UNITS / "nightferry-night.timer").read_text()


@needs_systemd
@pytest.mark.parametrize("name", SERVICES)
def test_a_service_is_exposed_by_2_at_most(tmp_path: Path, name: str) -> None:
    """What `systemd-analyze security` reckons, from 0 to 10; the unit says why each point stays open."""
    lay_out(tmp_path)
    # With a threshold, in tenths, systemd-analyze(1) fails where it is passed.
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", "--json=short", tmp_path / name],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    points = [each["name"] for each in json.loads(done.stdout) if each["set"] is False]
    assert points, done.stdout
    comments = " ".join(line.strip("# ") for line in (UNITS / name).read_text().splitlines() if line.startswith("#"))
    for point in points:
        assert OPEN[point] in comments, point


# Each point that may stay open, and what the unit's comments say of it.
OPEN = {
    "SystemCallFilter=~@privileged": "in @privileged",
    "SystemCallFilter=~@mount": "SystemCallFilter= with @mount",
    "RootDirectory=/RootImage=": "RootDirectory=",
    "User=/DynamicUser=": "User=, DynamicUser=",
    "PrivateUsers=": "PrivateUsers=",
    "PrivateDevices=": "PrivateDevices= would hide",
    "DeviceAllow=": "DeviceAllow= has these alone",
    "CapabilityBoundingSet=~CAP_(DAC_*|FOWNER|IPC_OWNER)": "CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH",
    "CapabilityBoundingSet=~CAP_(CHOWN|FSETID|SETFCAP)": "CAP_CHOWN, CAP_FOWNER, CAP_FSETID, CAP_SETFCAP",
    "CapabilityBoundingSet=~CAP_SYS_ADMIN": "read-only views (CAP_SYS_ADMIN)",
    "RestrictSUIDSGID=": "set-user-ID bits",
    "RestrictAddressFamilies=~AF_UNIX": "AF_UNIX is how",
    "ProcSubset=": "ProcSubset= stays open",
}


@needs_systemd
def test_what_the_network_is_given_by_is_read(tmp_path: Path) -> None:
    """systemd's own reckoning sees that the drop-in lifts what it says, and nothing else."""
    lay_out(tmp_path)
    names = {
        "PrivateNetwork=", "IPAddressDeny=", "RestrictAddressFamilies=~AF_(INET|INET6)",
    }  # fmt: skip
    for service in SERVICES:
        before, text = _points(tmp_path / service), (UNITS / "network.conf").read_text()
        both = tmp_path / f"with-{service}"
        both.write_text((tmp_path / service).read_text().partition("[Install]")[0] + text.partition("[Service]")[2])
        assert _points(both) - before == names


def _points(unit: Path) -> set[str]:
    command = ["systemd-analyze", "security", "--offline=true", "--json=short", unit]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return {each["name"] for each in json.loads(done.stdout) if each["set"] is False}
