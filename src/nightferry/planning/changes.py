"""What changed: one file's metadata then and now."""

from __future__ import annotations

from enum import Enum

from nightferry.tree.metadata import Kind, Stat


class Difference(Enum):
    NONE = "none"
    TOUCHED = "touched"  # may have other content: has to be read
    METADATA = "metadata"  # of a folder or symlink, whose content is compared directly
    RETYPED = "retyped"  # another kind of thing


def same_inode(then: Stat, now: Stat, *, inodes: bool = True) -> bool:
    """Whether two states are of one inode, as far as that can be told.

    ``inodes`` False: the file system numbers its files anew at each mount. There the number says something only of a
    file with several names, which belong together by it.
    """
    if then.inode == now.inode:
        return True
    return not inodes and (now.kind is Kind.FOLDER or (then.nlink <= 1 and now.nlink <= 1))


def compare(then: Stat, now: Stat, *, inodes: bool = True) -> Difference:
    """``then`` as noted in the manifest, ``now`` as found on the primary. ``inodes`` as in ``same_inode``.

    A change of content moves ctime on every file system that has one, even where size and mtime
    were put back (POSIX.1-2017, 4.9 "File Times Update"). The inode tells a replaced file. Owner
    and mode are compared for file systems whose ctime is not that of POSIX (FAT, exFAT).
    """
    if then.kind is not now.kind:
        return Difference.RETYPED
    same = (
        then.mtime_ns == now.mtime_ns
        and then.ctime_ns == now.ctime_ns
        and same_inode(then, now, inodes=inodes)
        and then.mode == now.mode
        and then.uid == now.uid
        and then.gid == now.gid
    )
    if now.kind is Kind.FOLDER:
        return Difference.NONE if same else Difference.METADATA
    if same and then.size_bytes == now.size_bytes:
        return Difference.NONE
    return Difference.TOUCHED


def content_untouched(then: Stat, now: Stat, *, inodes: bool = True) -> bool:
    """Whether the metadata says that nobody wrote to the file: then other content is damage."""
    return then.ctime_ns == now.ctime_ns and same_date(then, now, inodes=inodes)


def same_date(then: Stat, now: Stat, *, inodes: bool = True) -> bool:
    """Whether inode, size and mtime are the same: then other content is for a person to judge.

    It is decay of a file that was renamed, linked or had its mode changed, by which ctime moved; or somebody wrote it
    and put the date back. Nothing tells the two apart.
    """
    same = (then.size_bytes, then.mtime_ns) == (now.size_bytes, now.mtime_ns)
    return same and same_inode(then, now, inodes=inodes)


def is_made_since(then: Stat, born_ns: int | None) -> bool:
    """Whether a file is another one than a row tells of, which got the same inode number: it was made later.

    ``born_ns``: None where the file system does not say. A row whose ctime is 0 was made from the copy, or a person
    said that the next content counts: it holds nobody to its date.
    """
    return then.ctime_ns == 0 or (born_ns is not None and born_ns > then.ctime_ns)


def put_back_date(then: Stat, now: Stat) -> bool:
    """Whether another file stands under the old date: somebody made it and gave it that date."""
    return then.mtime_ns == now.mtime_ns and then.ctime_ns != now.ctime_ns


def same_metadata(then: Stat, now: Stat) -> bool:
    """Whether what a copy keeps beside content and attributes is the same."""
    return (then.mode, then.uid, then.gid, then.mtime_ns) == (now.mode, now.uid, now.gid, now.mtime_ns)


def needs_relink(then: Stat, now: Stat) -> bool:
    """Whether a name left one set of hard links or joined another: then it is put anew."""
    return then.inode != now.inode and (then.nlink > 1 or now.nlink > 1)
