"""What the drives of a pair really do, measured in a minute: each alone, and both at once.

Reads existing files, past the page cache, and keeps their access times. Writes one file into ``staging/`` on the
secondary, of a limited size, which is removed when it is done, stopped or failed; should the box go down meanwhile, the
next run empties ``staging/`` as it begins. Nothing is written on the primary.
"""

from __future__ import annotations

import json
import os
import stat
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from nightferry.errors import Failed
from nightferry.manifest.rates import Spread, spread
from nightferry.night.context import COPY, STAGING, Clock, Progress, Stop
from nightferry.night.preflight import check_layout, lock_pair, open_drives
from nightferry.settings import PairSettings
from nightferry.tree.content import Buffers, ReadFailed, Stopped, drop_device_cache, hash_from_platter
from nightferry.tree.digests import by_name
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root, join
from nightferry.units import show_text
from nightferry.volumes.capabilities import syncfs_covers
from nightferry.volumes.filesystem import block_device, room

FILE_NAME = "measured.json"
_NAME = join(STAGING, b"measure")

# Files from this size on tell the rate of a drive.
LEAST_FILE_BYTES = 1 << 20
_NAMES_LIMIT = 200_000
_FILES_LIMIT = 500
_WRITE_BYTES = 4 << 20
_SYNC_BYTES = 64 << 20
_HASH_S = 0.3


@dataclass(frozen=True)
class Limits:
    """``seconds``: of each part. ``write_bytes``: written at the most; ``slice_s``: the parts of which a spread is."""

    seconds: float = 10.0
    write_bytes: int = 1 << 30
    slice_s: float = 0.5


@dataclass(frozen=True)
class Measured:
    """Bytes a second; None where it could not be measured.

    ``copy``: the primary is read while the secondary is written, the slower of both counts. ``direct``: past the page
    cache; else pages were dropped before, which says a little less.
    """

    measured_s: float  # Unix time
    primary_read: Spread | None
    secondary_write: Spread | None
    secondary_read: Spread | None
    both_read: Spread | None  # the sum of both sides
    copy: Spread | None
    direct: bool
    hash: Spread | None = None  # what one core checksums, by the pair's own algorithm


class _Slices:
    """Turns bytes as they pass into the rates of slices of time."""

    def __init__(self, clock: Clock, slice_s: float) -> None:
        self._clock, self._slice_s = clock, slice_s
        self._began_s = self._since_s = clock.monotonic_s()
        self._bytes = self.total_bytes = 0
        self.rates: list[float] = []
        self.seconds = 0.0

    def passed(self, size_bytes: int) -> None:
        now_s = self._clock.monotonic_s()
        self._bytes += size_bytes
        self.total_bytes += size_bytes
        self.seconds = now_s - self._began_s
        if now_s - self._since_s >= self._slice_s:
            self.rates.append(self._bytes / (now_s - self._since_s))
            self._bytes, self._since_s = 0, now_s

    def spread(self) -> Spread | None:
        """The rate of all that passed, between the quartiles of the slices; None of nothing."""
        if self.total_bytes == 0 or self.seconds <= 0:
            return None
        whole = self.total_bytes / self.seconds
        found = spread(self.rates)
        if found is None:
            return Spread(whole, whole, whole, 1)
        return Spread(whole, min(whole, found.low), max(whole, found.high), found.count)


def measure(
    settings: PairSettings,
    state_dir: Path,
    progress: Progress,
    *,
    effects: Effects,
    clock: Clock,
    stop: Stop,
    limits: Limits | None = None,
) -> Measured:
    """Measures, and keeps the result in the pair's state folder. Takes the pair's lock.

    Raises ``WrongDrive``, ``WrongUse``, ``Busy`` as a run would, ``Failed`` where a drive fails, and ``Stopped`` where
    it was asked to stop: then nothing is kept.
    """
    try:
        return _measure(settings, state_dir, progress, effects, clock, stop, limits or Limits())
    except OSError as error:
        raise Failed(
            f'A drive of the pair "{settings.name}" failed while it was measured ({error.strerror or error}): see the'
            " system log, check cable and power."
        ) from error


def _measure(
    settings: PairSettings, state_dir: Path, progress: Progress, effects: Effects, clock: Clock, stop: Stop,
    limits: Limits,
) -> Measured:  # fmt: skip
    with lock_pair(state_dir, settings.name, "plan") as folder, open_drives(settings, effects, to_write=True) as drives:
        check_layout(drives.secondary, settings, copy_expected=False)
        file_system = drives.secondary_mount.file_system
        work = _Work(effects, clock, stop, limits, direct_secondary=syncfs_covers(file_system))
        device = None if work.direct["secondary"] else block_device(drives.secondary_mount)
        with _staged(drives.secondary, effects) as fd:
            on_primary = _large_files(drives.primary, b"", drives.mounted_below, stop)
            on_secondary = _large_files(drives.secondary, COPY, frozenset(), stop)
            free = room(drives.secondary.fd, effects).free_bytes - settings.keep_free
            progress.phase("primary, read")
            primary_read = work.read(drives.primary, on_primary, "primary")
            progress.phase("secondary, written")
            written = work.write(fd, min(limits.write_bytes // 2, max(0, free // 2)))
            _forget(device, effects)
            progress.phase("secondary, read")
            secondary_read = work.read(drives.secondary, on_secondary or [_NAME], "secondary")
            _forget(device, effects)
            progress.phase("both, read")
            both = work.at_once(
                lambda: work.read(drives.primary.again(), on_primary, "primary", own=True),
                lambda: work.read(drives.secondary.again(), on_secondary or [_NAME], "secondary", own=True),
            )
            progress.phase("primary read, secondary written")
            copied = work.at_once(
                lambda: work.read(drives.primary.again(), on_primary, "primary", own=True),
                lambda: work.write(fd, min(limits.write_bytes // 2, max(0, free // 2))),
            )
        hashed = _hashing(settings.hash, clock, limits)
        if stop():
            raise Stopped
        found = Measured(
            measured_s=clock.now_s(),
            primary_read=primary_read,
            secondary_write=written,
            secondary_read=secondary_read,
            both_read=_sum(*both),
            copy=None if copied[0] is None or copied[1] is None else min(copied, key=_median),  # type: ignore[arg-type]
            direct=work.is_direct,
            hash=hashed,
        )
        keep(folder, found)
        return found


def _hashing(algorithm: str, clock: Clock, limits: Limits) -> Spread | None:
    """In memory, no drive takes part: what is left of a drive's rate where this is the slower."""
    block, hasher = os.urandom(_WRITE_BYTES), by_name(algorithm).new()
    until_s = clock.monotonic_s() + min(_HASH_S, limits.seconds)
    slices = _Slices(clock, _HASH_S / 5)
    while not slices.total_bytes or clock.monotonic_s() < until_s:
        hasher.update(block)
        slices.passed(len(block))
    return slices.spread()


def _median(found: Spread) -> float:
    return found.median


def _sum(one: Spread | None, other: Spread | None) -> Spread | None:
    if one is None or other is None:
        return None
    return Spread(one.median + other.median, one.low + other.low, one.high + other.high, min(one.count, other.count))


class _Work:
    """The parts of a measurement."""

    def __init__(
        self, effects: Effects, clock: Clock, stop: Stop, limits: Limits, *, direct_secondary: bool
    ) -> None:  # fmt: skip
        self._effects, self._clock, self._stop, self._limits = effects, clock, stop, limits
        self.direct = {"primary": True, "secondary": direct_secondary}
        self.is_direct = True

    def read(self, root: Root, paths: list[bytes], role: str, *, own: bool = False) -> Spread | None:
        """Reads the files one after the other until the time is over. ``own``: the root is closed at the end.

        Raises ``Failed``, and ``Stopped`` where it was asked to.
        """
        buffers = Buffers()
        slices = _Slices(self._clock, self._limits.slice_s)
        until_s = self._clock.monotonic_s() + self._limits.seconds
        try:
            for path in paths:
                if not self._read_one(root, path, role, buffers, slices, until_s):
                    break
        finally:
            buffers.close()
            if own:
                root.close()
        return slices.spread()

    def _read_one(
        self, root: Root, path: bytes, role: str, buffers: Buffers, slices: _Slices, until_s: float
    ) -> bool:  # fmt: skip
        """False where the time is over."""
        is_over = False

        def should_stop() -> bool:
            nonlocal is_over
            is_over = self._clock.monotonic_s() >= until_s
            return is_over or self._stop()

        try:
            folder_fd, name = root.at(path)
            found = hash_from_platter(
                folder_fd, name, hasher=by_name("xxh3_128").new(), effects=self._effects, buffers=buffers,
                should_stop=should_stop, progress=slices.passed, direct=self.direct[role],
            )  # fmt: skip
            self.is_direct = self.is_direct and found.direct
        except Stopped:
            if not is_over:
                raise
        except (OSError, ReadFailed):
            return True  # it went away, or cannot be read: a night reports that
        return not should_stop()

    def write(self, fd: int, limit_bytes: int) -> Spread | None:
        """Writes the staged file anew from its start, synced, until the time is over or it is large enough.

        Raises ``Failed`` and ``Stopped``.
        """
        if limit_bytes < _WRITE_BYTES:
            return None
        block = os.urandom(_WRITE_BYTES)  # a drive or file system that compresses gains nothing by it
        slices = _Slices(self._clock, self._limits.slice_s)
        until_s = self._clock.monotonic_s() + self._limits.seconds
        try:
            self._effects.ftruncate(fd, 0)
            self._effects.fsync(fd)
            slices = _Slices(self._clock, self._limits.slice_s)
            position = synced = 0
            while position < limit_bytes and self._clock.monotonic_s() < until_s:
                if self._stop():
                    raise Stopped
                count = self._effects.pwrite(fd, block, position)
                # Begins the writing back and does not wait for it, as copying does.
                self._effects.posix_fadvise(fd, position, count, os.POSIX_FADV_DONTNEED)
                position += count
                if position - synced >= _SYNC_BYTES or position >= limit_bytes:
                    self._effects.fsync(fd)
                    slices.passed(position - synced)
                    synced = position
            if position > synced:
                self._effects.fsync(fd)
                slices.passed(position - synced)
        except OSError as error:
            raise Failed(
                f"The secondary could not be written while it was measured ({error.strerror}): make room on it, or see"
                " the system log for that drive."
            ) from error
        return slices.spread()

    def at_once(
        self, one: Callable[[], Spread | None], other: Callable[[], Spread | None]
    ) -> tuple[Spread | None, Spread | None]:
        """Both in threads of their own. Raises what the first of them raised."""
        results: dict[int, Spread | None] = {}
        errors: list[BaseException] = []

        def carry_out(number: int, what: Callable[[], Spread | None]) -> None:
            try:
                results[number] = what()
            except BaseException as error:  # handed to the thread that waits
                errors.append(error)

        threads = [threading.Thread(target=carry_out, args=each, daemon=True) for each in enumerate((one, other))]
        for thread in threads:
            thread.start()
        for thread in threads:
            while thread.is_alive():
                thread.join(0.2)
        if errors:
            raise errors[0]
        return results[0], results[1]


@contextmanager
def _staged(secondary: Root, effects: Effects) -> Iterator[int]:
    """The file that is written; gone afterwards, whatever happened."""
    with suppress(FileNotFoundError):
        secondary.unlink(_NAME)  # of a measurement that was cut off
    fd = secondary.create(_NAME)
    try:
        yield fd
    finally:
        effects.close(fd)
        with suppress(OSError):  # a drive that fails; the next run empties staging/
            secondary.unlink(_NAME)


def _forget(device: bytes | None, effects: Effects) -> None:
    """Drops what the machine remembers of a drive whose cache cannot be passed by."""
    if device is None:
        return
    with suppress(OSError):
        fd = effects.open(device, os.O_RDONLY | os.O_CLOEXEC)
        try:
            drop_device_cache(fd, effects)
        finally:
            effects.close(fd)


def _large_files(root: Root, top: bytes, mounted_below: frozenset[bytes], stop: Stop) -> list[bytes]:
    """The largest files that a limited walk meets, largest first. Raises ``Stopped``."""
    found: list[tuple[int, bytes]] = []
    folders, seen = [top], 0
    while folders and seen < _NAMES_LIMIT:
        folder = folders.pop()
        if stop():
            raise Stopped
        try:
            names = root.names(folder)
        except OSError:
            continue
        for name in names:
            seen += 1
            path = join(folder, name)
            if path in mounted_below:
                continue
            try:
                state = root.stat(path)
            except OSError:
                continue
            if stat.S_ISDIR(state.st_mode):
                folders.append(path)
            elif stat.S_ISREG(state.st_mode) and state.st_blocks * 512 >= LEAST_FILE_BYTES:
                found.append((state.st_size, path))
        if len(found) > 4 * _FILES_LIMIT:
            found = sorted(found, reverse=True)[:_FILES_LIMIT]
    return [path for _, path in sorted(found, reverse=True)[:_FILES_LIMIT]]


# --- kept until the next measurement


def keep(folder: Path, found: Measured) -> None:
    """Raises ``Failed``."""
    target = folder / FILE_NAME
    temporary = folder / (FILE_NAME + ".new")
    try:
        with temporary.open("w", encoding="ascii") as file:
            json.dump(asdict(found), file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except OSError as error:
        raise Failed(
            f"{show_text(str(target))} cannot be written ({error.strerror}): make room on that disk."
        ) from error


def kept(folder: Path) -> Measured | None:
    """The newest measurement; None where there is none that can be understood."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            said = json.loads(file.read(1 << 16))
        # Measurements of before have no rate of hashing.
        spreads = {key: _spread(said.get(key) if key == "hash" else said[key]) for key in _KEPT}
        if any(each is not None and not each.median > 0 for each in spreads.values()):
            return None
        return Measured(measured_s=float(said["measured_s"]), direct=bool(said["direct"]), **spreads)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


_KEPT = ("primary_read", "secondary_write", "secondary_read", "both_read", "copy", "hash")


def _spread(said: Any) -> Spread | None:
    if said is None:
        return None
    return Spread(float(said["median"]), float(said["low"]), float(said["high"]), int(said["count"]))
