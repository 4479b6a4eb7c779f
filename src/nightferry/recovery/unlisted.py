"""Names on the secondary that no run put there: found by a walk over ``copy/`` and ``retired/``.

Folder by folder and name by name, so that memory does not grow with their number.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable, Iterator
from typing import NamedTuple

from nightferry.manifest.fixity import Fixity
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID
from nightferry.night.carry import in_copy, in_retired
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind
from nightferry.tree.root import OtherMountError, Root, join


class Stray(NamedTuple):
    """A name that should not be there, or (``verdict`` unreadable) a folder that cannot be listed."""

    path: bytes  # below copy/, or below retired/
    side: str  # secondary, retired
    verdict: str
    detail: str


_NOBODYS = "no run put it there"


def walk_copy(
    manifest: Manifest,
    secondary: Root,
    effects: Effects,
    should_stop: Callable[[], bool],
    listed: Callable[[bytes, str], None],
    top: bytes = b"",
    top_id: int = ROOT_ID,
) -> Iterator[Stray]:
    """What ``copy/`` holds below ``top`` that the manifest does not. A strange folder is one name, whatever is in it.

    ``listed`` is told of each folder that could be listed. Ends early where ``should_stop`` says so.
    """
    folders = [(top, top_id)]
    while folders and not should_stop():
        folder, folder_id = folders.pop()
        try:
            with effects.scandir(secondary.folder(in_copy(folder))) as names:
                for each in names:
                    name = os.fsencode(each.name)
                    path = join(folder, name)
                    entry = manifest.entries.child(folder_id, name)
                    if entry is None:
                        yield Stray(path, "secondary", "unlisted", _NOBODYS)
                    elif entry.stat.kind is Kind.FOLDER:
                        folders.append((path, entry.id))
            listed(folder, "secondary")
        except (FileNotFoundError, NotADirectoryError):
            continue  # the files that it held are found missing
        except OSError as error:
            yield _unlistable(folder, "secondary", error)


def walk_retired(
    manifest: Manifest,
    secondary: Root,
    effects: Effects,
    should_stop: Callable[[], bool],
    listed: Callable[[bytes, str], None],
) -> Iterator[Stray]:
    """What ``retired/`` holds that the manifest does not. Empty folders do not count: runs make and leave them."""
    with Fixity(manifest.database).held_names() as is_held:
        folders = [b""]
        while folders and not should_stop():
            folder = folders.pop()
            try:
                folder_fd = secondary.folder(in_retired(folder))
                with effects.scandir(folder_fd) as names:
                    for each in names:
                        name = os.fsencode(each.name)
                        path = join(folder, name)
                        if is_held(path):
                            continue  # a folder that was put away whole counts as one
                        found = effects.stat(name, dir_fd=folder_fd, follow_symlinks=False)
                        if stat.S_ISDIR(found.st_mode):
                            folders.append(path)
                        else:
                            yield Stray(path, "retired", "unlisted", _NOBODYS)
                listed(folder, "retired")
            except (FileNotFoundError, NotADirectoryError):
                continue
            except OSError as error:
                yield _unlistable(folder, "retired", error)


def _unlistable(folder: bytes, side: str, error: OSError) -> Stray:
    if isinstance(error, OtherMountError):
        return Stray(folder, side, "unlisted", "another file system is mounted there")
    return Stray(folder, side, "unreadable", f"the folder cannot be listed ({error.strerror or error})")
