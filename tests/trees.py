"""Invented trees: the recordings of an amateur choir, with every kind of thing that a drive can hold."""

from __future__ import annotations

import contextlib
import os
import random
import stat
import zlib
from pathlib import Path

from drives import run

MIB = 1 << 20
SECOND = 1_000_000_000
OWNER, GROUP = 1234, 2345

# names that break what is written carelessly
RAW_NAMES: dict[str, bytes] = {
    "newline": b"07 agnus\ndei.wav",
    "invalid UTF-8": b"08 h\xe4ndel \xff.wav",
    "terminal escape": b"09 \x1b[31mred\x1b[0m \x1b]0;title\x07.wav",
    "HTML": b"10 <img src=x onerror=alert(1)>&amp;.wav",
    "leading dash": b"-rf",
    "leading space": b" 11 sanctus.wav",
    "trailing space": b"12 benedictus.wav ",
    "backslash": b"13 back\\slash\\n.wav",
    "quotes": b"14 \"double\" 'single' $(date) `date`.wav",
    "255 bytes": b"15 " + b"a" * 248 + b".wav",
    "carriage return": b"16 carriage\rreturn.wav",
}
# what FAT and NTFS names can hold of these: no control characters, none of "*/:<>?\|, no space at the end
PLAIN_NAMES = ("leading dash", "leading space")
COMPOSED = "17 Händel.wav".encode()  # NFC
DECOMPOSED = "17 Ha\u0308ndel.wav".encode()  # NFD: looks the same, is another name


def tree_with_everything(
    root: Path,
    *,
    owners: bool = True,
    modes: bool = True,
    links: bool = True,
    symlinks: bool = True,
    xattrs: bool = True,
    acls: bool = True,
    special: bool = True,
    raw_names: bool = True,
    case_pairs: bool = True,
    far_times: bool = True,
    seed: int = 2026,
) -> list[bytes]:
    """Fills ``root`` (made where missing), the same way each time. Needs root for owners, trusted xattrs and devices.

    A flag is False for what the file system cannot hold.

    Returns:
        The paths, relative to ``root``, of what a night does not copy: FIFO, socket and device.
    """
    numbers = random.Random(seed)
    concert, extra = root / "2026-05 spring concert", root / "2025-12 advent" / "rehearsal"
    for folder in (concert, extra, root / "empty folder", concert / "scans" / "posters"):
        folder.mkdir(parents=True)

    sizes = {"01 kyrie.wav": MIB + 1, "02 gloria.wav": 70_000, "03 silence.wav": 0, "04 click.wav": 1}
    for name, size in sizes.items():
        (concert / name).write_bytes(numbers.randbytes(size))
    (extra / "05 credo.wav").write_bytes(numbers.randbytes(4096))
    (concert / "scans" / "programme.txt").write_bytes(b"Kyrie, Gloria, Credo\n")
    _sparse_files(root / "sparse", numbers)

    for name in RAW_NAMES if raw_names else PLAIN_NAMES:
        Path(os.fsdecode(os.fsencode(extra) + b"/" + RAW_NAMES[name])).write_bytes(name.encode())
    with open(os.fsencode(extra) + b"/" + COMPOSED, "wb") as file:
        file.write(b"composed")
    if raw_names:
        with open(os.fsencode(extra) + b"/" + DECOMPOSED, "wb") as file:
            file.write(b"decomposed")
        (extra / "folder\nwith newline \x1b[1m").mkdir()
        (extra / "folder\nwith newline \x1b[1m" / "inside.wav").write_bytes(b"inside")
    if case_pairs:
        (extra / "Choir.txt").write_bytes(b"upper")
        (extra / "choir.txt").write_bytes(b"lower")

    if links:
        os.link(concert / "02 gloria.wav", extra / "02 gloria again.wav")
        os.link(concert / "02 gloria.wav", root / "best of.wav")
        os.link(concert / "03 silence.wav", extra / "03 silence again.wav")
    if symlinks:
        (concert / "relative link").symlink_to("01 kyrie.wav")
        (concert / "link out of the folder").symlink_to("../2025-12 advent/rehearsal/05 credo.wav")
        (concert / "absolute link").symlink_to("/etc/hostname")
        (concert / "dangling link").symlink_to("nowhere/at all")
        (root / "link to a folder").symlink_to("2026-05 spring concert", target_is_directory=True)
        (concert / "loop").symlink_to("loop")
        os.symlink(b"target \xff\n\x1b[31m", os.fsencode(concert) + b"/odd target")
        (concert / "long target").symlink_to("t" * 1000)
    skipped = _special_files(root, root / "2025-12 advent") if special else []

    if owners:
        os.chown(concert / "01 kyrie.wav", OWNER, GROUP)
        os.chown(root / "empty folder", OWNER, GROUP)
        if symlinks:
            os.lchown(concert / "dangling link", OWNER, GROUP)
    if modes:  # after the owners: chown takes setuid away
        _odd_modes(concert, extra, root)
    if xattrs:
        _attributes(concert, root, symlinks=symlinks)
    if acls:
        run("setfacl", "-m", f"u:{OWNER}:r--,g:{GROUP}:rwx,m::rw-", concert / "04 click.wav")
        run("setfacl", "-m", f"u:{OWNER}:rwx", "-m", f"d:u:{OWNER}:r-x,d:g:{GROUP}:---,d:m::rwx", concert / "scans")
    _times(root, far_times=far_times)
    return skipped


def _sparse_files(folder: Path, numbers: random.Random) -> None:
    folder.mkdir()
    # name -> (size, offsets of data blocks of 64 KiB)
    layouts = {
        "hole at the start.wav": (MIB, [MIB - 65536]),
        "hole in the middle.wav": (2 * MIB, [0, 2 * MIB - 65536]),
        "hole at the end.wav": (3 * MIB + 17, [0]),
        "holes everywhere.wav": (3 * MIB + 5, [MIB // 2, 2 * MIB]),
        "all hole.wav": (5 * MIB + 1, []),
    }
    for name, (size, offsets) in layouts.items():
        with (folder / name).open("wb") as file:
            for offset in offsets:
                file.seek(offset)
                file.write(numbers.randbytes(65536))
            file.truncate(size)


def _special_files(root: Path, folder: Path) -> list[bytes]:
    os.mkfifo(folder / "a pipe", 0o640)
    os.mknod(folder / "a socket", stat.S_IFSOCK | 0o640)
    os.mknod(folder / "a device", stat.S_IFCHR | 0o600, os.makedev(1, 3))
    return [os.fsencode((folder / name).relative_to(root)) for name in ("a device", "a pipe", "a socket")]


def _odd_modes(concert: Path, extra: Path, root: Path) -> None:
    (concert / "01 kyrie.wav").chmod(0o4755)
    (concert / "02 gloria.wav").chmod(0o2711)
    (concert / "03 silence.wav").chmod(0o000)
    (concert / "04 click.wav").chmod(0o400)
    (extra / "05 credo.wav").chmod(0o1666)
    (root / "empty folder").chmod(0o000)
    (concert / "scans").chmod(0o2775)
    (concert / "scans" / "posters").chmod(0o1777)
    extra.chmod(0o500)


def _attributes(concert: Path, root: Path, *, symlinks: bool) -> None:
    os.setxattr(concert / "01 kyrie.wav", "user.composer", "Bogoróditse".encode())
    os.setxattr(concert / "01 kyrie.wav", "user.empty", b"")
    os.setxattr(concert / "01 kyrie.wav", b"user.name \xff\n=", b'\0\xff\n"binary"\\')
    os.setxattr(concert / "02 gloria.wav", "trusted.note", b"for root only")
    os.setxattr(concert / "02 gloria.wav", "user.long", bytes(range(256)) * 8)
    os.setxattr(concert / "scans", "user.scanner", b"flatbed")
    os.setxattr(root / "empty folder", "trusted.note", b"folder")
    if symlinks:
        os.setxattr(concert / "dangling link", "trusted.note", b"on a link", follow_symlinks=False)


def _times(root: Path, *, far_times: bool) -> None:
    """Gives every entry a time of its own, with nanoseconds; folders after what they hold."""
    top = os.fsencode(root)
    paths = [os.path.join(folder, name) for folder, folders, files in os.walk(top) for name in folders + files]
    for path in sorted(paths, reverse=True):
        number = zlib.crc32(path.removeprefix(top))
        _set_time(path, (1_700_000_000 + number % 80_000_000) * SECOND + number % SECOND)
    far = {
        b"2026-05 spring concert/01 kyrie.wav": -240_000_000 * SECOND + 1,  # 1962
        b"2026-05 spring concert/02 gloria.wav": 4_300_000_000 * SECOND + 999_999_999,  # 2106
        b"2026-05 spring concert/03 silence.wav": -1,
        b"2026-05 spring concert/04 click.wav": 0,
        b"2026-05 spring concert/scans/posters": 2_200_000_000 * SECOND + 5,  # 2039
    }
    for path, time_ns in far.items() if far_times else ():
        _set_time(os.path.join(top, path), time_ns)


def _set_time(path: bytes, time_ns: int) -> None:
    # a file system without times of symlinks
    with contextlib.suppress(NotImplementedError):
        os.utime(path, ns=(time_ns + SECOND, time_ns), follow_symlinks=False)
