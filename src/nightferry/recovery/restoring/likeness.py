"""Whether the metadata of what stands in a restore's target is that of the manifest, as far as it can be there."""

from __future__ import annotations

import stat as stat_module

from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Stat, Xattrs, path_of_name, read_xattrs
from nightferry.volumes.capabilities import Capabilities

_ACLS = (b"system.posix_acl_access", b"system.posix_acl_default")


class Likeness:
    """``can``: what the target's file system holds."""

    def __init__(self, can: Capabilities, effects: Effects) -> None:
        self._can, self._effects = can, effects

    def differs(self, place: int | tuple[int, bytes], stat: Stat, xattrs: Xattrs) -> list[str]:
        """In what an open file or folder, or a symlink (its open folder and its name), is not as wanted.

        Of owner, mode, time, attributes; only what can be held counts. Raises ``OSError``.
        """
        can = self._can
        present: Xattrs = ()
        if isinstance(place, int):
            now = self._effects.fstat(place)
            if can.user_xattrs or can.posix_acls:
                present = read_xattrs(place, self._effects)
        else:
            fd, name = place
            now = self._effects.stat(name, dir_fd=fd, follow_symlinks=False)
            if can.user_xattrs:
                present = read_xattrs(path_of_name(fd, name), self._effects)
        found = []
        if can.owners and (now.st_uid, now.st_gid) != (stat.uid, stat.gid):
            found.append("owner")
        if can.modes and isinstance(place, int) and stat_module.S_IMODE(now.st_mode) != stat.mode:
            found.append("mode")
        if abs(now.st_mtime_ns - stat.mtime_ns) >= can.time_granularity_ns:
            found.append("time")
        if self._comparable(present) != self._comparable(xattrs):
            found.append("attributes")
        return found

    def _comparable(self, xattrs: Xattrs) -> Xattrs:
        """Without what this file system, or this user, cannot set; a label of SELinux is the machine's own affair."""

        def counts(name: bytes) -> bool:
            if name in _ACLS:
                return self._can.posix_acls
            owned = self._can.owners and name != b"security.selinux"
            return self._can.user_xattrs and (name.startswith(b"user.") or owned)

        return tuple(each for each in xattrs if counts(each[0]))

    def lost(self, fd: int, wanted: Stat, said: list[str]) -> list[str]:
        """What a file or folder has not got of its metadata. Not every file system says so: it is looked at."""
        now = self._effects.fstat(fd)
        found = set(said)
        if (now.st_uid, now.st_gid) != (wanted.uid, wanted.gid):
            found.add("owner")
        if stat_module.S_IMODE(now.st_mode) != wanted.mode:
            found.add("mode")
        if now.st_mtime_ns != wanted.mtime_ns:
            found.add("time")
        return sorted(found)
