"""What changed: one file's metadata then and now."""

from __future__ import annotations

from enum import Enum

from nightferry.tree.metadata import Kind, Stat


class Difference(Enum):
    NONE = "none"
    TOUCHED = "touched"  # may have other content: has to be read
    METADATA = "metadata"  # of a folder or symlink, whose content is compared directly
    RETYPED = "retyped"  # another kind of thing


def compare(then: Stat, now: Stat) -> Difference:
    """``then`` as noted in the manifest, ``now`` as found on the primary.

    A change of content moves ctime on every file system that has one, even where size and mtime
    were put back (POSIX.1-2017, 4.9 "File Times Update"). The inode tells a replaced file. Owner
    and mode are compared for file systems whose ctime is not that of POSIX (FAT, exFAT).
    """
    if then.kind is not now.kind:
        return Difference.RETYPED
    same = (
        then.mtime_ns == now.mtime_ns
        and then.ctime_ns == now.ctime_ns
        and then.inode == now.inode
        and then.mode == now.mode
        and then.uid == now.uid
        and then.gid == now.gid
    )
    if now.kind is Kind.FOLDER:
        return Difference.NONE if same else Difference.METADATA
    if same and then.size_bytes == now.size_bytes:
        return Difference.NONE
    return Difference.TOUCHED


def content_untouched(then: Stat, now: Stat) -> bool:
    """Whether the metadata says that nobody wrote to the file: then other content is damage."""
    return (then.size_bytes, then.mtime_ns, then.ctime_ns, then.inode) == (
        now.size_bytes,
        now.mtime_ns,
        now.ctime_ns,
        now.inode,
    )


def put_back_date(then: Stat, now: Stat) -> bool:
    """Whether changed content stands under its old date: somebody wrote and put mtime back."""
    return then.mtime_ns == now.mtime_ns and then.ctime_ns != now.ctime_ns


def same_metadata(then: Stat, now: Stat) -> bool:
    """Whether what a copy keeps beside content and attributes is the same."""
    return (then.mode, then.uid, then.gid, then.mtime_ns) == (now.mode, now.uid, now.gid, now.mtime_ns)


def needs_relink(then: Stat, now: Stat) -> bool:
    """Whether a name left one set of hard links or joined another: then it is put anew."""
    return then.inode != now.inode and (then.nlink > 1 or now.nlink > 1)
