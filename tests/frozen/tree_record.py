"""What a folder holds, written down with Python's standard library alone, and two such records compared.

Names are text as ``os.fsdecode`` gives it, so that any of them fits into JSON and back.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections import defaultdict
from collections.abc import Collection
from pathlib import Path
from typing import Any

Record = dict[str, dict[str, Any]]
_KINDS = {stat.S_IFDIR: "folder", stat.S_IFREG: "file", stat.S_IFLNK: "symlink"}


def record(root: Path, exclude: Collection[str] = ()) -> Record:
    """Everything below ``root`` but the names at its top in ``exclude``: path -> what it is.

    ``kind``, ``mode``, ``uid``, ``gid``, ``mtime_ns``, ``xattrs`` (hexadecimal); of a file ``sha256`` and ``links``,
    the other paths of the same file; of a symlink ``target``.
    """
    found: Record = {}
    groups: dict[tuple[int, int], list[str]] = defaultdict(list)
    for folder, folders, files in os.walk(root):
        if folder == str(root):
            folders[:] = [name for name in folders if name not in exclude]
        for name in [*folders, *files]:
            full = os.path.join(folder, name)
            path = os.path.relpath(full, root)
            if path in exclude:
                continue
            state = os.lstat(full)
            found[path] = one = {
                "kind": _KINDS[stat.S_IFMT(state.st_mode)], "mode": stat.S_IMODE(state.st_mode),
                "uid": state.st_uid, "gid": state.st_gid, "mtime_ns": state.st_mtime_ns,
                "xattrs": {
                    each: os.getxattr(full, each, follow_symlinks=False).hex()
                    for each in sorted(os.listxattr(full, follow_symlinks=False))
                },
            }  # fmt: skip
            if one["kind"] == "file":
                one["sha256"] = sha256(full)
                groups[state.st_dev, state.st_ino].append(path)
            if one["kind"] == "symlink":
                one["target"] = os.readlink(full)
    for paths in groups.values():
        for path in paths:
            found[path]["links"] = sorted(set(paths) - {path})
    return found


def sha256(path: str | Path) -> str:
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def unlike(wanted: Record, found: Record) -> list[str]:
    """A line for each difference."""
    lines = [f"missing: {path!r}" for path in sorted(wanted.keys() - found.keys())]
    lines += [f"too many: {path!r}" for path in sorted(found.keys() - wanted.keys())]
    for path in sorted(wanted.keys() & found.keys()):
        a, b = wanted[path], found[path]
        lines += [f"{path!r}: {key} {a.get(key)!r} is {b.get(key)!r}" for key in a | b if a.get(key) != b.get(key)]
    return lines
