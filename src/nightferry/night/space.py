"""The room on the secondary that copies may use: without what is kept free, and what sealing needs."""

from __future__ import annotations

from dataclasses import replace

from nightferry.night.context import Night
from nightferry.planning.room import records_bytes
from nightferry.volumes.filesystem import Room, room

# Files that a night writes beside the copy: those by which it tries out the drive, the manifest, the lists,
# the reports, and the folders for what it retires.
RECORDS_FILES = 64


def usable_room(night: Night) -> Room:
    """May be negative in bytes, where less is free than has to stay so. Raises ``OSError``.

    A drive filled to the last block could not take the manifest that says what is on it.
    """
    found = room(night.secondary.fd, night.effects)
    manifest_bytes, entries = night.manifest.size()
    reserved_bytes = max(night.settings.keep_free, records_bytes(manifest_bytes, max(entries, night.plan.names())))
    inodes = None if found.free_inodes is None else max(0, found.free_inodes - RECORDS_FILES)
    return replace(found, free_bytes=found.free_bytes - reserved_bytes, free_inodes=inodes)
