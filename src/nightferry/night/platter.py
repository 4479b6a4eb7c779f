"""What the secondary really holds: files read past every cache on the way."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import NamedTuple

from nightferry.tree.content import Buffers, ReadFailed, drop_device_cache, hash_from_platter
from nightferry.tree.digests import Hasher, by_id
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.volumes.filesystem import block_device
from nightferry.volumes.mounts import Mount


class Read(NamedTuple):
    size_bytes: int
    digest: bytes
    direct: bool  # False: the cache was dropped instead of passed by


class Platter:
    """Reads files of one drive. ``direct_reads`` as probed."""

    def __init__(self, mount: Mount, effects: Effects, buffers: Buffers, *, direct_reads: bool) -> None:
        self._effects, self._buffers, self._direct = effects, buffers, direct_reads
        self._device = None if direct_reads else block_device(mount)

    def forget(self) -> None:
        """Drops what the machine remembers of the drive where it cannot be passed by. After a barrier."""
        if self._device is None:
            return
        try:
            fd = self._effects.open(self._device, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            return  # not ours to open (no root): the reads then say less, and are reported as not direct
        try:
            drop_device_cache(fd, self._effects)
        finally:
            self._effects.close(fd)

    def read(self, root: Root, path: bytes, algorithm: int, should_stop: Callable[[], bool]) -> Read | None:
        """The checksum of what stands at ``path``; None where it cannot be read. Raises ``Stopped``."""
        return self._read(root, path, by_id(algorithm).new(), should_stop)

    def _read(self, root: Root, path: bytes, hasher: Hasher, should_stop: Callable[[], bool]) -> Read | None:
        try:
            folder_fd, name = root.at(path)
            found = hash_from_platter(
                folder_fd,
                name,
                hasher=hasher,
                effects=self._effects,
                buffers=self._buffers,
                should_stop=should_stop,
                progress=lambda size_bytes: None,
                direct=self._direct,
            )
        except (OSError, ReadFailed):
            return None
        return Read(found.read_bytes, found.digest, found.direct)

    def feed(self, root: Root, path: bytes, hasher: Hasher, should_stop: Callable[[], bool]) -> bool:
        """Gives all that stands at ``path`` to a hasher; False where it cannot be read. Raises ``Stopped``."""
        return self._read(root, path, hasher, should_stop) is not None
