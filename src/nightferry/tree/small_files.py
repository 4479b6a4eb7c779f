"""Small files left in a folder of a drive, each whole and durable when it has its name; the oldest of them go."""

from __future__ import annotations

import errno
import re
from collections.abc import Mapping
from contextlib import suppress

from nightferry.tree.root import Root, join

# Whoever may come to the folder may read what is in it: it is made to be read, over a file share too.
FOLDER_MODE, FILE_MODE = 0o755, 0o644


def leave_files(root: Root, folder: bytes, files: Mapping[bytes, bytes], *, staging: bytes, mark: bytes) -> None:
    """Writes each under its name in ``folder``, which is made where it is missing; one that is there is replaced.

    Written in ``staging`` (``b""``: the root itself) under names that begin with ``mark``, where what an earlier call
    left that was cut off is removed first. Raises ``OSError``; what has its name by then is whole.
    """
    for made in root.make_folders(folder):
        if made == folder:
            with suppress(PermissionError):
                root.effects.chmod(root.folder(made), FOLDER_MODE)
    for name in root.names(staging):
        if name.startswith(mark):
            root.unlink(join(staging, name))
    for name, content in files.items():
        staged = join(staging, mark + name)
        fd = root.create(staged)
        try:
            rest = memoryview(content)
            while rest:
                rest = rest[root.effects.write(fd, rest) :]
            with suppress(PermissionError):  # a file system without modes
                root.effects.chmod(fd, FILE_MODE)
            root.effects.fsync(fd)
        finally:
            root.effects.close(fd)
        root.rename(staged, join(folder, name))


def let_old_go(root: Root, folder: bytes, name_form: re.Pattern[bytes], kept_limit: int) -> None:
    """Removes all but the newest: files whose name matches, newest by the pattern's first group. Raises ``OSError``."""
    found: dict[bytes, list[bytes]] = {}
    for name in root.names(folder):
        if match := name_form.fullmatch(name):
            found.setdefault(match[1], []).append(name)
    for stamp in sorted(found)[: max(0, len(found) - kept_limit)]:
        for name in found[stamp]:
            root.unlink(join(folder, name))


def sync_names(root: Root, folder: bytes) -> None:
    """Makes the names in a folder durable. Raises ``OSError``."""
    try:
        root.effects.fsync(root.folder(folder))
    except OSError as error:
        if error.errno != errno.EINVAL:  # fsync(2): a file system that cannot sync folders
            raise
