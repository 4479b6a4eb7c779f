"""Findings of a preflight: what was found, what it means, what to do. Here: mounts, room, clock, network, the rest.

Those of the drives themselves are in ``drive_findings``. Pure functions of what ``volumes`` has read. What nobody
could find out is a state of its own: not known is never fine.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from nightferry.planning import links
from nightferry.units import format_count, format_duration, format_rate, format_size, show_name, show_text
from nightferry.volumes.capabilities import Capabilities
from nightferry.volumes.filesystem import Room
from nightferry.volumes.fstab import MountEntry

# Fewer free inodes than these, and a night with many small files may not fit. Our own choice.
FEW_INODES = 10_000


class State(Enum):
    """From the best to the worst."""

    OK = "ok"
    UNKNOWN = "not known"
    NOTE = "note"
    ATTENTION = "attention"
    FAILURE = "failure"


@dataclass(frozen=True)
class Finding:
    """``code`` is a stable word; ``about`` whom it concerns: box, pair, primary, secondary."""

    state: State
    code: str
    about: str
    found: str
    meaning: str = ""
    todo: str = ""
    exit_code: int = 0

    @classmethod
    def failure(cls, code: str, about: str, error: Exception, exit_code: int) -> Finding:
        """What a night would stop with, in its own words."""
        return cls(State.FAILURE, code, about, str(error), "A night would stop here and write nothing.", "", exit_code)


def ok(code: str, about: str, found: str) -> Finding:
    return Finding(State.OK, code, about, found)


def unknown(code: str, about: str, what: str, why: str, todo: str = "") -> Finding:
    return Finding(State.UNKNOWN, code, about, what, why, todo)


def exit_code(findings: list[Finding]) -> list[int]:
    """Those of failures, and 1 where anything wants attention."""
    codes = [each.exit_code for each in findings if each.state is State.FAILURE]
    return codes + [1 for each in findings if each.state is State.ATTENTION]


# --- mounts


def mounted(role: str, path: Path, entry: MountEntry | None, uuid: str | None) -> Finding:
    """Whether the drive is there again after the box was started anew."""
    at = show_text(str(path))
    line = f"UUID={uuid or '<what blkid shows>'}  {at}  auto  defaults,nofail  0  2"
    if entry is None:
        return Finding(
            State.ATTENTION, "mount", role, f"Nothing in /etc/fstab mounts {at}, and no systemd mount unit does.",
            "After a power cut the drive may stay unmounted, and then no night can run.",
            f"Add to /etc/fstab: {line}",
        )  # fmt: skip
    where = show_text(str(entry.file))
    source = show_name(entry.source)
    if entry.by_numbered_name:
        return Finding(
            State.ATTENTION, "mount", role, f"{where} mounts {at} by the name {source}.",
            "The kernel gives such names in the order in which it finds drives: after a start they can be swapped."
            " (nightferry would notice and refuse; but whoever uses the share would write to the wrong drive.)",
            f"Mount it by its identifier: {line}",
        )  # fmt: skip
    if entry.needed_to_start:
        return Finding(
            State.ATTENTION, "mount", role, f"{where} mounts {at} without nofail.",
            "Without this drive the box does not start up: it waits, then asks for a password on a screen that nobody"
            " has.",
            "Add nofail to the options of that line.",
        )  # fmt: skip
    if not entry.mounted_at_start:
        return Finding(
            State.NOTE, "mount", role, f"{where} has a line for {at}, and does not mount it at start.",
            "After a power cut somebody has to mount it.", "Leave that as it is if the drive is kept elsewhere.",
        )  # fmt: skip
    if not entry.by_steady_name:
        return Finding(
            State.NOTE, "mount", role, f"{where} mounts {at} by the name {source}.",
            "Whether that name stays with this drive is not known here.", f"To be sure: {line}",
        )  # fmt: skip
    return ok("mount", role, f"{at} is mounted at start by {source}, and the box starts without it.")


# --- room, writing, the file system


def free_room(room: Room, keep_free_bytes: int, primary_used_bytes: int | None) -> list[Finding]:
    """The secondary's room in bytes and in inodes. ``primary_used_bytes``: before the first night, what is to fit."""
    free, total = format_size(room.free_bytes), format_size(room.total_bytes)
    above = room.free_bytes - keep_free_bytes
    if primary_used_bytes is not None and primary_used_bytes > above:
        bytes_found = Finding(
            State.ATTENTION, "room", "secondary",
            f"{free} of {total} are free; the primary holds {format_size(primary_used_bytes)}.",
            "The first copy does not fit; the smallest files would be copied first.",
            "Take a larger drive, exclude something, or lower keep_free.",
        )  # fmt: skip
    elif above <= 0:
        bytes_found = Finding(
            State.ATTENTION, "room", "secondary", f"{free} of {total} are free, less than keep_free asks for.",
            "Nothing new can be copied until old versions have gone.",
            "Make room, take a larger drive, or lower keep_retired or keep_free.",
        )  # fmt: skip
    else:
        bytes_found = ok("room", "secondary", f"{free} of {total} are free, {format_size(above)} above keep_free.")
    if room.free_inodes is None:
        inodes_found = ok("inodes", "secondary", "This file system has no fixed number of files.")
    elif room.free_inodes < FEW_INODES:
        inodes_found = Finding(
            State.ATTENTION, "inodes", "secondary", f"Only {format_count(room.free_inodes)} more files fit (inodes).",
            "It can be full for new files while it has room for bytes.",
            "Remove small files, or format it anew with more inodes.",
        )  # fmt: skip
    else:
        inodes_found = ok("inodes", "secondary", f"{format_count(room.free_inodes)} more files fit (inodes).")
    return [bytes_found, inodes_found]


def file_system(name: str, can: Capabilities, keep_names_inodes: bool) -> list[Finding]:
    """What the tree on the secondary cannot keep."""
    lacks = can.lacks()
    shown = "a file system served by a program (FUSE)" if name == "fuseblk" else show_text(name)
    if lacks:
        found = [
            Finding(
                State.NOTE, "file_system", "secondary", f"{shown} does not keep: {'; '.join(lacks)}.",
                "The manifest keeps all metadata and a restore puts it back; the plain tree alone lacks it.",
                "For a copy that is whole by itself, use ext4, xfs or btrfs.",
            )
        ]  # fmt: skip
    else:
        found = [ok("file_system", "secondary", f"{shown} keeps everything that is copied.")]
    if not can.direct_reads:
        found.append(
            Finding(
                State.NOTE, "read_back", "secondary", "The cache of this file system cannot be passed by.",
                "Copies are read back after their pages were dropped, which proves a little less.",
            )
        )  # fmt: skip
    if not keep_names_inodes:
        found.append(
            Finding(
                State.NOTE, "file_system", "secondary", "Its files have no lasting numbers (inodes).",
                "nightferry works by names there; nothing is lost by it.",
            )
        )  # fmt: skip
    return found


# --- the box


def clock(synchronised: bool | None, chip: bool | None, behind_s: float | None) -> Finding:
    """``behind_s``: by how much the clock is behind the last nights; None where their dates agree with it."""
    if behind_s is not None:
        return Finding(
            State.ATTENTION, "clock", "box",
            f"The clock is {format_duration(behind_s)} behind the dates of the last nights.",
            "One of the two is wrong. Nothing retired expires before more nights agree with the clock.",
            "Where the clock is right, nothing; else set it: timedatectl set-ntp true.",
        )  # fmt: skip
    if synchronised is None:
        return unknown("clock", "box", "Whether the clock is right", "The kernel does not say.")
    if synchronised:
        return ok("clock", "box", "The clock is kept right over the network.")
    without = "The box has no clock chip: after a power cut it wakes in the past." if chip is False else (
        "A clock that nobody corrects drifts by seconds a day."
    )  # fmt: skip
    return Finding(
        State.ATTENTION if chip is False else State.NOTE, "clock", "box",
        "Nothing keeps the clock right (the kernel calls it not synchronised).", without,
        "Turn a time service on: timedatectl set-ntp true.",
    )  # fmt: skip


def under_voltage(sagged: bool | None) -> Finding:
    if sagged is None:
        return unknown("voltage", "box", "Whether the supply voltage is steady", "This box has no sensor for it.")
    if sagged:
        return Finding(
            State.ATTENTION, "voltage", "box", "The supply voltage was too low since the box was started.",
            "Drives fall off the bus or lose writes at such moments.",
            "Use the supply made for this board and a short cable; give the drives a powered hub.",
        )  # fmt: skip
    return ok("voltage", "box", "The supply voltage stayed high enough since the box was started.")


def network(speeds: dict[str, int | None]) -> Finding:
    """``speeds``: of each wired link that is up, Mb/s."""
    known = {name: speed for name, speed in speeds.items() if speed is not None}
    if not known:
        why = "Its driver does not say." if speeds else "No link with a cable is up (wireless ones are not judged)."
        return unknown("network", "box", "How fast the network link is", why)
    name = max(known, key=lambda each: known[each])
    payload = format_rate(links.ethernet_payload_bytes_per_s(known[name] * 1e6))
    found = f"{show_text(name)} runs at {known[name]:,} Mb/s: at most {payload} of file content."
    if known[name] < 1000:
        return Finding(
            State.NOTE, "network", "box", found, "Restoring over the network takes many times as long as it could.",
            "If box and switch can do 1,000 Mb/s, change the cable: four wires are enough for 100 and no more.",
        )  # fmt: skip
    return ok("network", "box", found)


def third_copy() -> Finding:
    """Said once, of no pair."""
    return Finding(
        State.NOTE, "third_copy", "box", "Both drives of a pair stand in one place.",
        "A second drive in the same box does not survive fire, theft or a surge.",
        "Keep a third copy elsewhere.",
    )  # fmt: skip


def configured(file: Path | None, pairs: int) -> Finding:
    what = "1 pair" if pairs == 1 else f"{format_count(pairs)} pairs"
    where = "" if file is None else f" {show_text(os.fspath(file))}"
    return ok("configuration", "box", f"The configuration{where} is understood: {what}.")
