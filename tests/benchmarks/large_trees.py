"""Trees of up to a million files in seconds, with a pair that has copied them already.

A first night over a million files writes a million files, which is another benchmark's matter (small_files.py). Here
the rows that such a night leaves are entered into the manifest directly, through the very functions a night enters them
with, and folders that a benchmark is going to change are put into the copy by ``cp -a``. A night over unchanged files
looks at the primary and at the manifest, not at the copy, so it is the same night; the verification of a slice, which
does look there, is off where such a pair is used.

Files have sizes of 1 KiB to 4 MiB and are all hole, so that a million of them needs a drive of one GiB.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import xxhash

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from measure import Bench, BenchPair, Case, spend

from drives import MIB, Drive, run
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import ROOT_ID, Content
from nightferry.settings import PairSettings, load
from nightferry.tree.digests import XXH3_128
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

FILES_A_FOLDER = 50
FOLDERS_A_YEAR = 100
# As `find` prints what a night compares.
FIND_FORMAT = r"%p\0%i\0%y\0%s\0%m\0%U\0%G\0%T@\0%C@\0%n\0\n"


def drive_for(bench: Bench, files: int, *, content_bytes: int = 0) -> Drive:
    """An ext4 drive with room for so many files and folders."""
    inodes = files + files // FILES_A_FOLDER * 2 + 10_000
    size_bytes = 128 * MIB + inodes * 400 + content_bytes
    return bench.drive("ext4", size_bytes, filled=False, format_options=("-N", str(inodes), "-m", "0"))


def folder_name(number: int) -> str:
    """The path of the n-th folder that holds files."""
    return f"{1900 + number // FOLDERS_A_YEAR} concerts/{number % FOLDERS_A_YEAR:02} rehearsal"


def make_tree(root: Path, files: int, *, first: int = 0) -> None:
    """Makes ``files`` files, in folders of ``FILES_A_FOLDER``, from the folder numbered ``first`` on."""
    for number in range(first, first + files // FILES_A_FOLDER):
        path = root / folder_name(number)
        path.mkdir(parents=True)
        folder = os.open(path, os.O_RDONLY)
        for each in range(FILES_A_FOLDER):
            fd = os.open(f"{each:02} kyrie.wav", os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644, dir_fd=folder)
            os.ftruncate(fd, 1024 << (number * FILES_A_FOLDER + each) % 13)
            os.close(fd)
        os.close(folder)


@dataclass
class Settled:
    """A pair that has copied all, and the drive that its state lies on: what is written there can be counted."""

    pair: BenchPair
    state: Drive

    def night(self) -> None:
        spend(Case("a night", self.pair.run_command()))

    def settings(self) -> PairSettings:
        return load(self.pair.config).pair[0]


def settled_pair(
    bench: Bench,
    files: int,
    *,
    more: Callable[[Path], None] = lambda root: None,
    to_copy: tuple[str, ...] = (),
    copied_bytes: int = 0,
) -> Settled:
    """A pair whose copy is said to hold ``files`` files already; two nights have passed, so that all is remembered.

    ``more`` puts further files on the primary. ``to_copy``: folders of which the copy is to stand on the secondary too.
    """
    primary = drive_for(bench, files, content_bytes=copied_bytes)
    secondary = drive_for(bench, max(files // 10, 20_000), content_bytes=files * 250 * 4 + copied_bytes)
    # Its inodes are made at once: the kernel would do it later, and be counted.
    state = bench.drive(
        "ext4", 64 * MIB + files * 600, filled=False, format_options=("-E", "lazy_itable_init=0,nodiscard")
    )
    pair = BenchPair(bench, primary, secondary, state.root / "state", read_back="off", verify_share="off")
    settled = Settled(pair, state)
    run(*pair.command("pair", "--yes", "recordings"))
    settled.night()
    make_tree(primary.root, files)
    more(primary.root)
    for folder in to_copy:
        target = secondary.root / "copy" / folder
        target.parent.mkdir(parents=True, exist_ok=True)
        run("cp", "-a", "--sparse=always", primary.root / folder, target)
    _apart(lambda: enter_as_copied(pair))
    settled.night()  # compares each file with its row, and remembers what each folder holds
    settled.night()
    return settled


def _apart(action: Callable[[], None]) -> None:
    """In a process of its own: the most memory that this one ever had counts for all that it starts (getrusage(2))."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            action()
            code = 0
        finally:
            os._exit(code)
    if os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0:
        raise RuntimeError("what was to be done in a process of its own failed")


def enter_as_copied(pair: BenchPair) -> None:
    """Enters all of the primary into the manifest, as if the last night had copied it."""
    manifest = Manifest.open(pair.state / "recordings" / FILE_NAME, Effects())
    try:
        with manifest.database.transaction():
            _enter_folder(manifest, os.fsencode(pair.primary.root), ROOT_ID, int(time.time()))
            manifest.database.set_meta("lists", "stale")
    finally:
        manifest.close()


def _enter_folder(manifest: Manifest, path: bytes, parent: int, now_s: int) -> None:
    entries = manifest.entries
    with os.scandir(path) as found:
        names = sorted(found, key=lambda each: each.name)
    for each in names:
        if parent == ROOT_ID and each.name in (b".nightferry-volume.toml", b"lost+found"):
            continue
        stat = Stat.of(each.stat(follow_symlinks=False))
        content = Content() if stat.kind is Kind.FOLDER else Content(XXH3_128.id, _digest_of_hole(stat.size_bytes))
        read_s = None if stat.kind is Kind.FOLDER else now_s
        row = entries.insert(parent, each.name, stat, content, None, 1, read_s, read_s)
        if stat.kind is Kind.FOLDER:
            entries.set_dirty(row, dirty=False)
            _enter_folder(manifest, each.path, row, now_s)


@cache
def _digest_of_hole(size_bytes: int) -> bytes:
    hasher, zeros = xxhash.xxh3_128(), bytes(min(size_bytes, 16 * MIB))
    for start in range(0, size_bytes, 16 * MIB):
        hasher.update(zeros[: size_bytes - start])
    return hasher.digest()


def manifest_bytes(settled: Settled) -> int:
    return (settled.pair.state / "recordings" / FILE_NAME).stat().st_size


def bytes_a_file(settled: Settled) -> float:
    """Bytes of the manifest for each name, without the names themselves, which stand in a row and in an index."""
    manifest = Manifest.open(settled.pair.state / "recordings" / FILE_NAME, Effects(), writable=False)
    try:
        names, name_bytes = manifest.database.connection.execute(
            "SELECT count(*), sum(length(name)) FROM entry"
        ).fetchone()
    finally:
        manifest.close()
    return (manifest_bytes(settled) - 2 * name_bytes) / names


def written_bytes(drive: Drive) -> int:
    """What was written to a drive since it was attached, as its device counts it (block/stat: sectors of 512 bytes)."""
    run("sync", "--file-system", drive.root)
    return int(Path("/sys/block", Path(drive.device).name, "stat").read_text().split()[6]) * 512
