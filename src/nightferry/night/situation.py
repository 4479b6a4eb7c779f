"""What a plan for a pair is made from: its measured rates, its history, its settings, its drives. Read only."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path

from nightferry.errors import Failed, NightferryError
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.rates import History, Spread, history
from nightferry.night.error_counts import ROLES, device_of
from nightferry.night.measuring import Measured, kept
from nightferry.night.preflight import state_folder
from nightferry.planning import power
from nightferry.planning.capacity import DAY_S, Rates, Work
from nightferry.planning.given import CHANGE_BYTES, DISPLACED_SHARE, FILE_BYTES
from nightferry.planning.loads import load
from nightferry.planning.prospect import Situation, network_rate
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.units import show_text
from nightferry.volumes import sysfs
from nightferry.volumes.filesystem import Room, room
from nightferry.volumes.lock import holder
from nightferry.volumes.mounts import mount_of

# Both at once read at less than this share of the two alone: they share a link that is too narrow for them.
_SHARED_SHARE = 0.8
_GIGABIT = 1e9
# Kinds of drives of which it is known what feeds them.
_FED = frozenset({"usb", "sata", "nvme", "sd card"})


@dataclass(frozen=True)
class Sides:
    """The drives as far as they are there: whole drives by role, room by role."""

    disks: dict[str, sysfs.Disk]
    room: dict[str, Room]


@dataclass(frozen=True)
class Known:
    """A situation, and what it was made from."""

    situation: Situation
    measured: Measured | None
    history: History
    sides: Sides


def situation(
    settings: PairSettings, state_dir: Path, effects: Effects, sysfs_root: Path = sysfs.SYSFS
) -> Known:  # fmt: skip
    """Raises ``Failed`` where no rate is known yet, or no state is there, ``Busy`` where a run just began."""
    folder = state_folder(state_dir, settings.name)
    measured = kept(folder)
    path = folder / FILE_NAME
    if not path.exists():
        raise Failed(
            f'Nothing is known of the pair "{settings.name}" yet: run `nightferry pair {settings.name}`, then'
            f" `nightferry plan --measure {settings.name}`; or plan with figures (--read, --write, --size)."
        )
    with Manifest.look(path, effects, in_use=holder(folder / "lock") is not None) as manifest:
        past = history(manifest, 0.0 if measured is None else measured.measured_s)
        files, total_bytes = manifest.entries.totals()
    sides = look_at_sides(settings, effects, sysfs_root)
    assumed: list[str] = []
    rates = _rates(settings.name, past, measured, sides, assumed)
    to_come = 0  # what the first night will take of the room that is free now
    if total_bytes == 0 and "primary" in sides.room:
        used = sides.room["primary"]
        total_bytes, files = used.total_bytes - used.free_bytes, 0
        to_come = total_bytes
        assumed.append("No night has run yet: all that is used on the primary is taken as what is to be copied.")
    line = _network(sysfs_root, assumed)
    rates = replace(rates, network=network_rate(line), per_file_s=past.per_file_s)
    work, growth = _work(settings, past, files, total_bytes, to_come, sides, assumed)
    drive_bytes = min((each.total_bytes for each in sides.room.values()), default=max(1, total_bytes))
    return Known(
        Situation(
            rates=rates, work=work, drive_bytes=drive_bytes,
            secondary_bytes=sides.room["secondary"].total_bytes if "secondary" in sides.room else drive_bytes,
            drives=2, network_line_bits_per_s=line, loads=_loads(sides), held=past.held, growth_bytes_per_day=growth,
            assumptions=tuple(assumed),
        ),
        measured, past, sides,
    )  # fmt: skip


def _rates(name: str, past: History, measured: Measured | None, sides: Sides, assumed: list[str]) -> Rates:
    """What nights reached since the newest measurement comes first: it is what the next one will reach."""
    of = measured or Measured(0.0, None, None, None, None, None, direct=True)
    primary = _first(past.verify_primary, of.primary_read, past.copy, of.copy)
    written = _first(past.copy, of.copy, of.secondary_write)
    secondary = _first(past.verify_secondary, past.read_back, of.secondary_read)
    if primary is None or written is None or secondary is None:
        raise Failed(
            f'No rates of the pair "{name}" are known yet: run `nightferry plan --measure {name}`, or a night with some'
            " large files; or plan with figures (--read, --write, --size)."
        )
    from_nights = sum(each is not None for each in (past.copy, past.verify_primary, past.verify_secondary))
    if from_nights:
        assumed.append("Rates that nights reached since the measurement come first, measured ones fill the gaps.")
    rates = Rates(primary, written, secondary, hash=_hash_rate(measured))
    return _over_shared_link(rates, of, sides, assumed)


def _over_shared_link(rates: Rates, of: Measured, sides: Sides, assumed: list[str]) -> Rates:
    """With what a link that both drives share carries, as far as they were slower together than each alone."""
    if of.primary_read is None or of.secondary_read is None:
        return rates
    is_narrow = of.both_read is not None and (
        of.both_read.median < _SHARED_SHARE * (of.primary_read.median + of.secondary_read.median)
    )
    if is_narrow and of.both_read is not None:
        assumed.append("Both drives at once read less than the two alone: they share a link.")
        rates = replace(rates, link_in=of.both_read.median, link_out=of.both_read.median)
    if of.secondary_write is None or not (is_narrow or _share_hub(sides)):
        return rates
    copied, alone = rates.secondary_write, min(of.primary_read.median, of.secondary_write.median)
    if copied >= _SHARED_SHARE * alone:
        return rates
    assumed.append("Reading one drive slows writing the other down: their link carries one or the other at a time.")
    return replace(
        rates, secondary_write=of.secondary_write.median, link_in=2 * copied, link_out=2 * copied, half_duplex=True
    )


def _share_hub(sides: Sides) -> bool:
    disks = [sides.disks.get(role) for role in ROLES]
    return disks[0] is not None and disks[1] is not None and sysfs.shared_hub(disks[0], disks[1]) is not None


def _hash_rate(measured: Measured | None) -> float:
    """Where it was not measured, the rates of nights have it in them."""
    return float("inf") if measured is None or measured.hash is None else measured.hash.median


def _first(*found: Spread | None) -> float | None:
    return next((each.median for each in found if each is not None), None)


def _work(
    settings: PairSettings, past: History, files: int, total_bytes: int, to_come: int, sides: Sides, assumed: list[str]
) -> tuple[Work, float]:
    nights_per_day = len(settings.days) / 7
    changed, displaced, changed_files = past.changed_bytes, past.displaced_bytes, past.changed_files
    if not past.nights:
        changed = min(float(CHANGE_BYTES), total_bytes / 10)
        displaced, changed_files = changed * DISPLACED_SHARE, changed / FILE_BYTES
        assumed.append("No night after the first has run: a change of 5 GB a night (at the most a tenth) is assumed.")
    free = sides.room.get("secondary")
    if free is None:
        assumed.append("The secondary is not there: its free room is not known, and taken as none.")
    retired = max(0, past.held[-1][1] - total_bytes) if past.held else 0
    start, end = (each.hour * 3600 + each.minute * 60 for each in (settings.start, settings.finish_by))
    work = Work(
        files=files, total_bytes=total_bytes,
        changed_files_per_day=changed_files * nights_per_day, changed_bytes_per_day=changed * nights_per_day,
        displaced_bytes_per_day=displaced * nights_per_day, retired_bytes=retired,
        scan_s=past.scan_s + settings.settle_quiet.total_seconds(),
        window_s=(end - start) % DAY_S or DAY_S, read_back_share=settings.read_back,
        verify_cycle_s=settings.verify_cycle.total_seconds(), verify_share=settings.verify_share,
        free_bytes=0 if free is None else free.free_bytes - to_come - settings.keep_free, nights_per_day=nights_per_day,
    )  # fmt: skip
    return work, changed * nights_per_day


def _network(root: Path, assumed: list[str]) -> float:
    speeds = [each for each in sysfs.network_speed_mbit_per_s(root).values() if each is not None]
    if speeds:
        return max(speeds) * 1e6
    assumed.append("The network link's speed is not known; 1 Gb/s is assumed.")
    return _GIGABIT


def _loads(sides: Sides) -> list[power.Load] | None:
    """None where what a drive draws cannot be found out; empty where all are fed by the box's own supply."""
    disks = {disk.name: disk for disk in sides.disks.values()}
    if len(sides.disks) < len(ROLES) or any(disk.transport not in _FED for disk in disks.values()):
        return None
    found = [load(name, disk) for name, disk in disks.items() if disk.bridge is not None]
    known = [each for each in found if each is not None]
    return known if len(known) == len(found) else None


def look_at_sides(settings: PairSettings, effects: Effects, sysfs_root: Path) -> Sides:
    """What is mounted now. Never raises."""
    disks: dict[str, sysfs.Disk] = {}
    rooms: dict[str, Room] = {}
    for role, path in (("primary", settings.primary), ("secondary", settings.secondary)):
        try:
            mount = mount_of(path)
            fd = effects.open(os.path.realpath(path), os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            try:
                rooms[role] = room(fd, effects)
            finally:
                effects.close(fd)
            found = sysfs.disks_below(device_of(mount), sysfs_root)
        except (OSError, NightferryError):
            continue
        if len(found) == 1:
            disks[role] = found[0]
    return Sides(disks, rooms)


def not_measured(name: str) -> str:
    """What to do where there are only rates of nights."""
    return f"`nightferry plan --measure {show_text(name)}` measures each drive alone and both at once."
