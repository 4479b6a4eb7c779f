"""Findings of mounts, room, clock and network: each state, and that not known is never fine."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from nightferry.planning import findings
from nightferry.planning.findings import Finding, State, exit_code
from nightferry.volumes.capabilities import Capabilities
from nightferry.volumes.filesystem import Room
from nightferry.volumes.fstab import MountEntry, parse

PATH = Path("/srv/recordings")
GIB = 1 << 30
ALL = Capabilities(*[True] * 7, 1, *[True] * 7)  # type: ignore[arg-type]


def entry(text: bytes) -> MountEntry:
    return parse(text)[0]


@pytest.mark.parametrize(
    ("line", "state", "words"),
    [
        (None, State.ATTENTION, "Nothing in /etc/fstab"),
        (b"/dev/sda1 /srv/recordings ext4 nofail", State.ATTENTION, "/dev/sda1"),
        (b"UUID=1234-ABCD /srv/recordings ext4 defaults", State.ATTENTION, "without nofail"),
        (b"UUID=1234-ABCD /srv/recordings ext4 nofail,noauto", State.NOTE, "does not mount it"),
        (b"/dev/md0 /srv/recordings ext4 nofail", State.NOTE, "/dev/md0"),
        (b"UUID=1234-ABCD /srv/recordings ext4 nofail", State.OK, "is mounted at start"),
    ],
)
def test_mounts(line: bytes | None, state: State, words: str) -> None:
    found = findings.mounted("primary", PATH, None if line is None else entry(line), "bd71398e")
    assert found.state is state
    assert words in found.found
    if state is State.ATTENTION:
        assert "UUID=bd71398e" in found.todo or "nofail" in found.todo


def states(found: list[Finding]) -> dict[str, State]:
    return {each.code: each.state for each in found}


def test_room_and_inodes() -> None:
    roomy = Room(100 * GIB, 1000 * GIB, 10**6)
    assert states(findings.free_room(roomy, 20 * GIB, None)) == {"room": State.OK, "inodes": State.OK}
    assert states(findings.free_room(replace(roomy, free_bytes=19 * GIB), 20 * GIB, None))["room"] is State.ATTENTION
    assert states(findings.free_room(replace(roomy, free_inodes=50), 20 * GIB, None))["inodes"] is State.ATTENTION
    assert states(findings.free_room(replace(roomy, free_inodes=None), 20 * GIB, None))["inodes"] is State.OK
    before_the_first = findings.free_room(roomy, 20 * GIB, 90 * GIB)
    assert states(before_the_first)["room"] is State.ATTENTION
    assert "does not fit" in before_the_first[0].meaning


def test_what_a_file_system_does_not_keep() -> None:
    assert [each.state for each in findings.file_system("ext4", ALL, True)] == [State.OK]
    lacking = replace(ALL, owners=False, symlinks=False, direct_reads=False)
    found = findings.file_system("fuseblk", lacking, False)
    assert {each.state for each in found} == {State.NOTE}
    assert "symbolic links" in found[0].found
    assert "owners and groups" in found[0].found


@pytest.mark.parametrize(
    ("synchronised", "chip", "behind_s", "state"),
    [
        (True, None, None, State.OK),
        (True, False, 7200.0, State.ATTENTION),
        (False, True, None, State.NOTE),
        (False, None, None, State.NOTE),
        (False, False, None, State.ATTENTION),
        (None, True, None, State.UNKNOWN),
    ],
)
def test_the_clock(synchronised: bool | None, chip: bool | None, behind_s: float | None, state: State) -> None:
    assert findings.clock(synchronised, chip, behind_s).state is state


def test_voltage_and_network() -> None:
    assert [findings.under_voltage(each).state for each in (None, False, True)] == [
        State.UNKNOWN, State.OK, State.ATTENTION,
    ]  # fmt: skip
    assert findings.network({}).state is State.UNKNOWN
    assert findings.network({"eth0": None}).state is State.UNKNOWN
    assert findings.network({"eth0": 100}).state is State.NOTE
    assert findings.network({"eth0": 100, "eth1": 1000}).state is State.OK


def test_what_is_not_known_is_never_called_fine_and_costs_no_exit_code() -> None:
    unknown = findings.unknown("voltage", "box", "Whether it is steady", "No sensor.")
    assert unknown.state is not State.OK
    assert exit_code([unknown]) == []
    attention = Finding(State.ATTENTION, "mount", "primary", "x", "y", "z")
    failure = Finding.failure("identity", "pair", ValueError("x"), 3)
    assert exit_code([unknown, attention, failure]) == [3, 1]
