"""What people and their programs do to the primary. Each names the paths it is about.

A change never copies flipped content into a new file: then somebody would have written it.
"""

from __future__ import annotations

import hashlib
import mmap
import os
import shutil
import struct
import subprocess
from contextlib import suppress
from typing import TYPE_CHECKING, Any, BinaryIO

from lives.looking import forget
from lives.steps import Args, Draw, add, joined

if TYPE_CHECKING:
    from lives.world import World

SECOND = 1_000_000_000
DATES = (0, 1_000_000_007, 1_600_000_000_123_456_789, -86_400 * SECOND + 1, 4_300_000_000 * SECOND + 999)
MODES = (0o600, 0o644, 0o755, 0o2750, 0o400)


def content(number: int, size: int) -> bytes:
    """The same for the same number and size, and another for every other number (from 8 bytes on)."""
    block = hashlib.sha256(b"%d" % number).digest()
    return (block * (size // len(block) + 1))[:size]


def opened(path: bytes, mode: str) -> BinaryIO:
    """A file; a FIFO without a reader is refused (ENXIO), where open(2) would wait for one."""
    return open(path, mode, opener=lambda name, flags: os.open(name, flags | os.O_NONBLOCK, 0o644))  # type: ignore[return-value]


# --- writing


def write(world: World, path: bytes, number: int, size: int) -> None:
    full = world.path(path)
    os.makedirs(os.path.dirname(full), exist_ok=True)
    with opened(full, "wb") as file:
        file.write(content(number, size))


def save(world: World, path: bytes, number: int, size: int) -> None:
    """As most programs save: a new file over the old name."""
    full = world.path(path)
    if not os.path.isfile(full):
        return
    temporary = os.path.dirname(full) + b"/.saving~"
    with opened(temporary, "wb") as file:
        file.write(content(number, size))
    os.rename(temporary, full)


def patch(world: World, path: bytes, number: int) -> None:
    """Some bytes in the middle are written, in place."""
    with opened(world.path(path), "r+b") as file:
        size = os.fstat(file.fileno()).st_size
        file.seek(size // 2)
        file.write(content(number, min(32, size - size // 2)))


def mmap_write(world: World, path: bytes, number: int) -> None:
    with opened(world.path(path), "r+b") as file:
        size = os.fstat(file.fileno()).st_size
        if not size:
            return
        with mmap.mmap(file.fileno(), 0) as view:
            view[: min(32, size)] = content(number, min(32, size))
            view.flush()


def mmap_store(world: World, path: bytes, number: int) -> None:
    """A program that keeps a file mapped writes into the mapping again: no call of the kernel, and no sync."""
    view = world.mappings.get(path)
    if view is None:
        if not os.path.getsize(world.path(path)):
            return
        with opened(world.path(path), "r+b") as file:
            view = world.mappings[path] = mmap.mmap(file.fileno(), 0)
    before = os.stat(world.path(path))
    has_to_move = world.oracle.storing(before.st_ino)
    view[: min(32, len(view))] = content(number, min(32, len(view)))
    after = os.stat(world.path(path))
    if world.drives is not None and has_to_move and before.st_ctime_ns == after.st_ctime_ns:
        world.oracle.fail("store-unseen", f"a store into {path!r}, which the last nights read, moved no time of it")
    forget()


def mmap_end(world: World, path: bytes) -> None:
    view = world.mappings.pop(path, None)
    if view is not None:
        view.close()


def append(world: World, path: bytes, number: int, size: int) -> None:
    with opened(world.path(path), "r+b") as file:
        file.seek(0, os.SEEK_END)
        file.write(content(number, size))


def truncate(world: World, path: bytes, size: int) -> None:
    os.truncate(world.path(path), size)


def put_back(world: World, path: bytes, number: int) -> None:
    """Other content of the same size, and the old date."""
    then = os.lstat(world.path(path))
    patch(world, path, number)
    os.utime(world.path(path), ns=(then.st_atime_ns, then.st_mtime_ns))


def save_dated(world: World, path: bytes, number: int) -> None:
    """A new file of the same size and date over the old name, as a tool that keeps dates leaves it."""
    then = os.lstat(world.path(path))
    save(world, path, number, then.st_size)
    os.utime(world.path(path), ns=(then.st_atime_ns, then.st_mtime_ns))


def hole(world: World, path: bytes) -> None:
    subprocess.run(
        ["fallocate", "--punch-hole", "--offset", "0", "--length", "4096", world.path(path)],
        check=False, capture_output=True,
    )  # fmt: skip


def sparse(world: World, path: bytes, number: int) -> None:
    full = world.path(path)
    if os.path.lexists(full):
        return
    with opened(full, "wb") as file:
        file.truncate(300_000)
        file.seek(150_000)
        file.write(content(number, 64))


def same_content(world: World, path: bytes, new: bytes) -> None:
    """A second file with the content of another."""
    with opened(world.path(path), "rb") as file:
        data = file.read()
    if world.oracle.is_rotten(("f", hashlib.sha256(data).digest())) or os.path.lexists(world.path(new)):
        return
    with opened(world.path(new), "wb") as file:
        file.write(data)


def many_same(world: World, folder: bytes, number: int, count: int) -> None:
    """Many files of one content."""
    for each in range(count):
        write(world, joined(folder, b"part %03d.wav" % each), number, 700)


def folder_of(world: World, path: bytes, number: int, count: int) -> None:
    """A new folder with files of their own contents."""
    if os.path.lexists(world.path(path)):
        return
    for each in range(count):
        write(world, joined(path, b"take %d.wav" % each), number * 1000 + each, 300 + each)


# --- names


def rename(world: World, old: bytes, new: bytes) -> None:
    """Over what stands there, as rename(2) does."""
    os.rename(world.path(old), world.path(new))


def swap(world: World, one: bytes, other: bytes) -> None:
    hidden = world.path(b".swapping")
    first, second = world.path(one), world.path(other)
    if not (os.path.lexists(first) and os.path.lexists(second)):
        return
    os.rename(first, hidden)
    try:
        os.rename(second, first)
        os.rename(hidden, second)
    except OSError:
        os.rename(hidden, first if not os.path.lexists(first) else second)


def cycle(world: World, one: bytes, two: bytes, three: bytes) -> None:
    """Three names change places."""
    swap(world, one, two)
    swap(world, two, three)


def inside_out(world: World, path: bytes) -> None:
    """A folder's subfolder takes its place, and it becomes that one's subfolder."""
    top, name = os.path.split(path)
    below = sorted(entry.name for entry in os.scandir(world.path(path)) if entry.is_dir(follow_symlinks=False))
    if not below:
        return
    hidden = world.path(joined(top, b".inside out"))
    os.rename(world.path(joined(path, below[0])), hidden)
    if os.path.lexists(hidden + b"/" + name):
        os.rename(hidden, world.path(joined(path, below[0])))
        return
    os.rename(world.path(path), hidden + b"/" + name)
    os.rename(hidden, world.path(path))


def change_case(world: World, path: bytes) -> None:
    folder, name = os.path.split(path)
    new = joined(folder, name.swapcase())
    if not os.path.lexists(world.path(new)):
        os.rename(world.path(path), world.path(new))


def replace_renamed(world: World, path: bytes, new: bytes, number: int, size: int) -> None:
    """A file is renamed, and a new one takes its name."""
    if os.path.lexists(world.path(new)):
        return
    os.rename(world.path(path), world.path(new))
    with opened(world.path(path), "wb") as file:
        file.write(content(number, size))


def delete(world: World, path: bytes) -> None:
    os.unlink(world.path(path))


def delete_tree(world: World, path: bytes) -> None:
    if not os.path.islink(world.path(path)):
        shutil.rmtree(world.path(path))


def make_folder(world: World, path: bytes) -> None:
    os.mkdir(world.path(path))


def deep(world: World, path: bytes, number: int) -> None:
    """A path beyond 4,096 bytes."""
    fd = os.open(world.path(path), os.O_RDONLY | os.O_DIRECTORY)
    for _ in range(18):
        name = b"d" * 240
        with suppress(FileExistsError):
            os.mkdir(name, dir_fd=fd)
        below = os.open(name, os.O_RDONLY | os.O_DIRECTORY, dir_fd=fd)
        os.close(fd)
        fd = below
    with open(os.open(b"deep.wav", os.O_WRONLY | os.O_CREAT, 0o644, dir_fd=fd), "wb") as file:
        file.write(content(number, 500))
    os.close(fd)


def become(world: World, path: bytes, kind: str, number: int) -> None:
    """Another kind of thing under the same name."""
    full = world.path(path)
    if os.path.isdir(full) and not os.path.islink(full):
        shutil.rmtree(full)
    else:
        os.unlink(full)
    if kind == "f":
        write(world, path, number, 200)
    elif kind == "l":
        os.symlink(b"became %d" % number, full)
    else:
        write(world, path + b"/kyrie.wav", number, 200)


# --- links


def link(world: World, path: bytes, new: bytes) -> None:
    os.link(world.path(path), world.path(new), follow_symlinks=False)


def relink(world: World, path: bytes, to: bytes) -> None:
    """A name leaves its hard links and joins those of another file."""
    hidden = world.path(b".linking")
    if os.path.samefile(world.path(path), world.path(to)) or not os.path.isfile(world.path(path)):
        return
    os.link(world.path(to), hidden)
    os.rename(hidden, world.path(path))


def unshare(world: World, path: bytes) -> None:
    """A name gets a file of its own with the same content, dates kept."""
    full = world.path(path)
    with opened(full, "rb") as file:
        data = file.read()
    if os.lstat(full).st_nlink < 2 or world.oracle.is_rotten(("f", hashlib.sha256(data).digest())):
        return
    hidden = world.path(b".unsharing")
    with opened(hidden, "wb") as file:
        file.write(data)
    shutil.copystat(full, hidden)
    os.rename(hidden, full)


def symlink(world: World, path: bytes, target: bytes) -> None:
    os.symlink(target, world.path(path))


# --- metadata


def chmod(world: World, path: bytes, mode: int) -> None:
    os.chmod(world.path(path), mode, follow_symlinks=True)


def chown(world: World, path: bytes, owner: int) -> None:
    os.chown(world.path(path), owner, owner, follow_symlinks=False)


def utime(world: World, path: bytes, time_ns: int) -> None:
    os.utime(world.path(path), ns=(time_ns, time_ns), follow_symlinks=False)


def touch(world: World, path: bytes) -> None:
    os.utime(world.path(path), follow_symlinks=False)


def attribute(world: World, path: bytes, value: bytes) -> None:
    full = world.path(path)
    if value:
        os.setxattr(full, b"user.choir", value, follow_symlinks=False)
    else:
        os.removexattr(full, b"user.choir", follow_symlinks=False)


def acl(world: World, path: bytes, owner: int) -> None:
    """An entry for one more user (posix_acl_xattr.h: version 2, then tag, permissions, id)."""
    nobody = 0xFFFFFFFF
    entries = ((1, 6, nobody), (2, 4, owner), (4, 4, nobody), (0x10, 4, nobody), (0x20, 4, nobody))
    packed = struct.pack("<I", 2) + b"".join(struct.pack("<HHI", *each) for each in entries)
    os.setxattr(world.path(path), b"system.posix_acl_access", packed)


def special(world: World, path: bytes) -> None:
    """A FIFO, which no night copies."""
    os.mkfifo(world.path(path))


def immutable(world: World, path: bytes, on: bool) -> None:
    """Where the file system has such a flag (chattr(1)); in memory there is none."""
    subprocess.run(["chattr", "+i" if on else "-i", world.path(path)], check=False, capture_output=True)


# --- drawing


def _new(draw: Draw) -> Args:
    return {"path": draw.free(), "number": draw.number(), "size": draw.size()}


def _of(kinds: str, **more: Any) -> Any:
    """Arguments: ``path`` of one of these kinds, and what ``more`` draws."""

    def arguments(draw: Draw) -> Args | None:
        path = draw.of(kinds)
        if path is None:
            return None
        return {"path": path, **{name: value(draw) if callable(value) else value for name, value in more.items()}}

    return arguments


def _two(kinds: str, one: str, other: str) -> Any:
    def arguments(draw: Draw) -> Args | None:
        found = draw.two(kinds)
        return None if found is None else {one: found[0], other: found[1]}

    return arguments


def _three(draw: Draw) -> Args | None:
    kinds = draw.random.choice(("f", "d"))
    first, second = draw.two(kinds), draw.of(kinds)
    if first is None or second is None or any((each + b"/").startswith(second + b"/") for each in first):
        return None
    if any((second + b"/").startswith(each + b"/") for each in first):
        return None
    return {"one": first[0], "two": first[1], "three": second}


def _moved(draw: Draw) -> Args | None:
    kinds = draw.random.choice(("f", "f", "d", "fdl"))
    old, new = draw.of(kinds), draw.free(folder=kinds == "d")
    if old is None or (new + b"/").startswith(old + b"/"):
        return None
    return {"old": old, "new": new}


def _in_folder(draw: Draw) -> Args | None:
    """A file that moves to another folder under its name."""
    old = draw.of("f")
    return None if old is None else {"old": old, "new": joined(draw.folder(), os.path.basename(old))}


def _mapped(draw: Draw) -> Args | None:
    """Only on real drives: in memory a second store moves no time, ever, so that nobody could know of it."""
    if draw.world.drives is None:
        return None
    path = draw.random.choice([*draw.world.mappings, draw.of("f")])
    return None if path is None else {"path": path, "number": draw.number()}


def _number(draw: Draw) -> int:
    return draw.number()


def _size(draw: Draw) -> int:
    return draw.size()


def _free(draw: Draw) -> bytes:
    return draw.free()


add("write", write, _new, weight=5)
add("overwrite", write, _of("f", number=_number, size=_size), weight=3)
add("save", save, _of("f", number=_number, size=_size), weight=3)
add("patch", patch, _of("f", number=_number), weight=2)
add("mmap_write", mmap_write, _of("f", number=_number))
add("mmap_store", mmap_store, _mapped, weight=2)
add("mmap_end", mmap_end, lambda draw: {"path": draw.random.choice([*draw.world.mappings, b""])}, weight=0.3)
add("append", append, _of("f", number=_number, size=_size), weight=2)
add("truncate", truncate, _of("f", size=_size))
add("put_back", put_back, _of("f", number=_number))
add("save_dated", save_dated, _of("f", number=_number))
add("hole", hole, _of("f"), weight=0.3)
add("sparse", sparse, lambda draw: {"path": draw.free(), "number": draw.number()}, weight=0.3)
add("same_content", same_content, _of("f", new=_free))
add("many_same", many_same, lambda draw: {"folder": draw.folder(), "number": draw.number(), "count": 6}, weight=0.2)
add(
    "folder_of", folder_of,
    lambda draw: {
        "path": draw.free(folder=True), "number": draw.number(), "count": draw.random.choice((2, 3, 10))
    },
    weight=2,
)  # fmt: skip
add("rename", rename, _moved, weight=5)
add("rename_into", rename, _in_folder, weight=2)
add("rename_over", rename, _two("f", "old", "new"))
add("swap", swap, _two("f", "one", "other"), weight=1.5)
add("swap_folders", swap, _two("d", "one", "other"))
add("cycle", cycle, _three)
add("inside_out", inside_out, _of("d"))
add("change_case", change_case, _of("fd"))
add("replace_renamed", replace_renamed, _of("f", new=_free, number=_number, size=_size), weight=1.5)
add("delete", delete, _of("fl"), weight=3)
add("delete_tree", delete_tree, _of("d"), weight=1.5)
add("make_folder", make_folder, lambda draw: {"path": draw.free(folder=True)})
add("deep", deep, lambda draw: {"path": draw.folder(), "number": draw.number()}, weight=0.05)
add("become", become, _of("fdl", kind=lambda draw: draw.random.choice("fdl"), number=_number), weight=1.5)
add("link", link, _of("f", new=_free), weight=2)
add("relink", relink, _two("f", "path", "to"))
add("unshare", unshare, _of("f"))
add(
    "symlink", symlink, lambda draw: {"path": draw.free(), "target": draw.random.choice((b"kyrie.wav", b"..", b"/etc"))}
)
add("chmod", chmod, _of("fd", mode=lambda draw: draw.random.choice(MODES)))
add("chown", chown, _of("fdl", owner=lambda draw: draw.random.choice((0, 1234))), weight=0.7)
add("utime", utime, _of("fdl", time_ns=lambda draw: draw.random.choice(DATES)))
add("touch", touch, _of("fdl"), weight=1.5)
add("attribute", attribute, _of("fd", value=lambda draw: draw.random.choice((b"", b"alto", b"bass"))))
add("acl", acl, _of("f", owner=1234), weight=0.5)
add("special", special, lambda draw: {"path": draw.free()}, weight=0.2)
add("immutable", immutable, _of("f", on=lambda draw: draw.chance(0.5)), weight=0.2)
