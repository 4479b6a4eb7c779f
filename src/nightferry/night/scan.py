"""Scan and compare: the primary and the manifest in step, folder by folder, in one pass.

What is found goes into the plan. Nothing is read here but names and metadata.
"""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Iterable, Iterator
from typing import NamedTuple

import xxhash

from nightferry.manifest.plan import SORT_IN_MEMORY_LIMIT, Step, fingerprint_of
from nightferry.manifest.records import ROOT_ID, Entry
from nightferry.night.context import OTHER_MOUNT, UNREADABLE, UNSUPPORTED, Night
from nightferry.night.failing import read_failed
from nightferry.planning.changes import Difference, compare
from nightferry.tree.metadata import Kind, Stat, signed, unsupported
from nightferry.tree.root import OtherMountError, join
from nightferry.volumes.card import CARD_NAME, MENDING_NAME

# Said of sockets, FIFOs and devices.
NO_CONTENT = "has no content to copy"
# Names at the root of a drive that are the drive's own and not its content.
OWN_NAMES = frozenset({CARD_NAME, CARD_NAME + b".new", MENDING_NAME, b"lost+found"})

_PRINT = struct.Struct("<QQqqIII")


class Folder(NamedTuple):
    path: bytes
    entry: Entry | None  # None: the copy does not have it
    moved: bool = False  # the copy has it under another path, by its own name or one above


class Aside(NamedTuple):
    """A name that is not part of the copy, and why."""

    kind: str
    path: bytes
    why: str


class Listed(NamedTuple):
    fingerprint: bytes
    files: int
    folders: list[tuple[bytes, Stat]]
    aside: list[Aside]


def scan(night: Night) -> None:
    """Fills the plan. Raises ``Interrupted``; ``OSError`` only where the root itself cannot be read."""
    root = night.manifest.entries.by_id(ROOT_ID)
    root_stat = Stat.of(night.primary.stat(b""))
    if root is None:
        night.plan.add(Step.FOLDER, b"", root_stat)
    elif compare(root.stat, root_stat) is not Difference.NONE:
        night.plan.add(Step.FOLDER_TOUCHED, b"", root_stat, root.id)
    stack = [Folder(b"", root)]
    while stack:
        night.stop.check()
        folder = stack.pop()
        try:
            below = _compare_folder(night, folder)
        except OtherMountError:
            night.leave_out(OTHER_MOUNT, folder.path, "another file system is mounted there")
            continue
        except FileNotFoundError:
            # Gone between its parent's listing and now: what the copy holds of it waits for tomorrow.
            night.leave_out("unsettled", folder.path, "the folder went away while it was looked at")
            continue
        except OSError as error:
            if not folder.path:
                raise
            read_failed(night, "primary", error)
            night.leave_out(UNREADABLE, folder.path, f"the folder cannot be listed: {why(error)}")
            continue
        night.tally.scanned_folders += 1
        stack.extend(reversed(below))


def _compare_folder(night: Night, folder: Folder) -> list[Folder]:
    """Compares what one folder holds; returns the folders below it that are to be looked at."""
    if folder.entry is not None and folder.entry.listing is not None:
        listed = _fingerprint(night, folder.path)
        if listed.fingerprint == folder.entry.listing:
            _name_aside(night, listed.aside)
            night.tally.scanned_files += listed.files
            night.progress.advance(files=listed.files)
            return _compare_subfolders(night, folder, listed.folders)
    found, fingerprint = _read_sorted(night, folder.path)
    night.plan.remember_listing(folder.path, fingerprint)
    known: Iterator[Entry] = iter(())
    if folder.entry is not None:
        known = night.manifest.entries.children(folder.entry.id)
    return _merge(night, folder, found, known)


def _merge(
    night: Night, folder: Folder, found: Iterable[tuple[bytes, Stat | None]], known: Iterator[Entry]
) -> list[Folder]:
    """``found`` and ``known`` in the order of their names, in step."""
    below: list[Folder] = []
    then = next(known, None)
    for name, now in found:
        while then is not None and then.name < name:
            _vanish(night, then)
            then = next(known, None)
        match = None
        if then is not None and then.name == name:
            match = then
            then = next(known, None)
        if now is not None:  # None: it is there and cannot be looked at; what the copy holds stays
            _compare_name(night, folder, name, now, match, below)
    while then is not None:
        _vanish(night, then)
        then = next(known, None)
    return below


def _vanish(night: Night, entry: Entry) -> None:
    if not night.plan.is_claimed(entry.id):
        night.plan.vanish(entry.id)


def _compare_name(
    night: Night, folder: Folder, name: bytes, now: Stat, then: Entry | None, below: list[Folder]
) -> None:
    path = join(folder.path, name)
    if then is not None and night.plan.is_claimed(then.id):
        then = None  # that folder was met under another path; this is a new thing under its old name
    if now.kind is Kind.FOLDER:
        _compare_subfolder(night, folder, path, now, then, below)
        return
    night.tally.scanned_files += 1
    night.progress.advance(files=1)
    if then is None:
        night.plan.add(Step.ADDED, path, now)
        return
    difference = compare(then.stat, now)
    if difference is Difference.RETYPED:
        night.plan.add(Step.RETYPED, path, now, then.id)
        if then.stat.kind is Kind.FOLDER:
            night.plan.vanish(then.id)
    elif difference is not Difference.NONE:
        night.plan.add(Step.TOUCHED, path, now, then.id)


def _compare_subfolder(
    night: Night, folder: Folder, path: bytes, now: Stat, then: Entry | None, below: list[Folder]
) -> None:
    if then is not None and then.stat.kind is Kind.FOLDER:
        if folder.moved:
            night.plan.claim(then.id)  # its old path is gone with the folder above: it is not to be met twice
        if compare(then.stat, now) is not Difference.NONE:
            night.plan.add(Step.FOLDER_TOUCHED, path, now, then.id)
        below.append(Folder(path, then, folder.moved))
        return
    if then is None:
        moved = _moved_folder(night, now)
        if moved is not None:
            night.plan.claim(moved.id)
            night.plan.add(Step.FOLDER_MOVED, path, now, moved.id)
            night.plan.add(Step.FOLDER_TOUCHED, path, now, moved.id)
            below.append(Folder(path, moved, True))
            return
    night.plan.add(Step.FOLDER, path, now, None if then is None else then.id)
    below.append(Folder(path, None))


def _moved_folder(night: Night, now: Stat) -> Entry | None:
    """The folder of the copy that this is under a new name.

    A folder has one name only, so the same inode elsewhere is the folder itself. The number may
    have been given to a new folder after the old one was removed: then what it holds differs,
    and is compared name by name all the same.
    """
    for candidate in night.manifest.entries.by_inode(now.inode):
        if candidate.stat.kind is not Kind.FOLDER or candidate.id == ROOT_ID:
            continue
        if night.plan.is_claimed(candidate.id):
            continue
        old = night.primary.stat_or_none(night.manifest.entries.path(candidate.id))
        if old is None or not _is_folder(old):
            return candidate
    return None


def _compare_subfolders(night: Night, folder: Folder, found: list[tuple[bytes, Stat]]) -> list[Folder]:
    """For a folder whose files are all as they were: only its subfolders need a look."""
    assert folder.entry is not None
    known = night.manifest.entries.folders(folder.entry.id)
    below: list[Folder] = []
    for name, now in found:
        _compare_name(night, folder, name, now, known.pop(name, None), below)
    for gone in known.values():
        if join(folder.path, gone.name) not in night.mounted_below:
            _vanish(night, gone)
    return below


# --- listing


def _fingerprint(night: Night, path: bytes) -> Listed:
    """One number for all names and metadata of a folder's files, in any order; and its subfolders.

    The sum of one hash for each file, so that nothing has to be sorted or kept: a quiet night
    costs one row of the manifest a folder instead of one a file.
    """
    total, files = night.excludes_seed, 0
    folders: list[tuple[bytes, Stat]] = []
    aside: list[Aside] = []
    for name, found in _entries(night, path, aside):
        if found is None:
            total += 1  # cannot be looked at: never equal to a remembered listing
            continue
        if _is_folder(found):
            folders.append((name, Stat.of(found)))
            continue
        files += 1
        total += _print_of(name, found)
    folders.sort()
    return Listed(fingerprint_of(total), files, folders, aside)


def _read_sorted(night: Night, path: bytes) -> tuple[Iterable[tuple[bytes, Stat | None]], bytes]:
    """All names with their metadata, in the order of their bytes, and the fingerprint of the files."""
    total = night.excludes_seed
    found: list[tuple[bytes, Stat | None]] = []
    blocked: list[bytes] = []
    aside: list[Aside] = []

    def read() -> Iterator[tuple[bytes, Stat]]:
        nonlocal total
        for name, each in _entries(night, path, aside):
            if each is None:
                total += 1
                blocked.append(name)
                continue
            if not _is_folder(each):
                total += _print_of(name, each)
            yield name, Stat.of(each)

    names = read()
    for pair in names:
        found.append(pair)
        if len(found) > SORT_IN_MEMORY_LIMIT:
            ordered = night.plan.sort(_chain(found, names))
            first = next(ordered, None)  # has read all names by then, so that the lists are full
            _name_aside(night, aside)
            ordered = _chain([first] if first else [], ordered)
            return _with_blocked(ordered, blocked), fingerprint_of(total)
    _name_aside(night, aside)
    found.extend((name, None) for name in blocked)
    found.sort(key=lambda pair: pair[0])
    return found, fingerprint_of(total)


def _chain(
    first: Iterable[tuple[bytes, Stat | None]], rest: Iterator[tuple[bytes, Stat]]
) -> Iterator[tuple[bytes, Stat]]:
    for name, stat in first:
        assert stat is not None
        yield name, stat
    yield from rest


def _name_aside(night: Night, aside: list[Aside]) -> None:
    for each in aside:
        night.leave_out(*each)


def _with_blocked(ordered: Iterator[tuple[bytes, Stat]], blocked: list[bytes]) -> Iterator[tuple[bytes, Stat | None]]:
    """Puts the names that cannot be looked at into their places."""
    waiting = sorted(blocked, reverse=True)
    for name, stat in ordered:
        while waiting and waiting[-1] < name:
            yield waiting.pop(), None
        yield name, stat
    while waiting:
        yield waiting.pop(), None


def _print_of(name: bytes, found: os.stat_result) -> int:
    packed = _PRINT.pack(
        found.st_ino,
        found.st_size,
        _in_64_bits(found.st_mtime_ns),
        _in_64_bits(found.st_ctime_ns),
        found.st_mode,
        found.st_uid,
        found.st_gid,
    )
    return xxhash.xxh3_128_intdigest(packed + name)


def _in_64_bits(value: int) -> int:
    return signed(value & (1 << 64) - 1)


def _is_folder(found: os.stat_result) -> bool:
    return found.st_mode & 0o170000 == 0o040000


def _entries(night: Night, path: bytes, aside: list[Aside]) -> Iterator[tuple[bytes, os.stat_result | None]]:
    """What a copy is made of: without what is excluded, unsupported, mounted or the drive's own.

    None for a name that exists and cannot be looked at. What is to be named in the report goes
    to ``aside``, since a folder may be read twice.
    """
    with night.effects.scandir(night.primary.folder(path)) as entries:
        for entry in entries:
            name = os.fsencode(entry.name)
            if not path and name in OWN_NAMES:
                continue
            full = join(path, name)
            if full in night.mounted_below:
                aside.append(Aside(OTHER_MOUNT, full, "another file system is mounted there"))
                yield name, None
                continue
            try:
                found = entry.stat(follow_symlinks=False)
            except FileNotFoundError:
                continue  # gone since the folder was read: as if it had gone a moment before
            except OSError as error:
                read_failed(night, "primary", error)
                aside.append(Aside(UNREADABLE, full, why(error)))
                yield name, None
                continue
            if night.excludes(full, _is_folder(found)):
                continue
            what = unsupported(found)
            if what is not None:
                aside.append(Aside(UNSUPPORTED, full, f"{what} {NO_CONTENT}"))
                continue
            yield name, found


def why(error: OSError) -> str:
    if error.errno == errno.EIO:
        return "the drive reports a read error (I/O error); a drive that does so repeatedly should be replaced"
    return error.strerror or str(error)
