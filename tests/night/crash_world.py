"""A pair for tests of crashes: nights of every kind of change, saved so that its last night can be run again and again.

Everything lies in memory where /dev/shm can hold it. The primary stays as it is; the secondary and the state are put
back from a saved copy before each attempt.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
import shutil
import sqlite3
import stat
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest
from harness import OWN_NAMES, Pair

import nightferry.night.run as run_module
from nightferry.errors import NightferryError
from nightferry.manifest.records import Intent
from nightferry.night.run import Result
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import Capabilities

FOREIGN = "new.wav"


class Thing(NamedTuple):
    """All that a copy keeps of one name. ``group`` is the first name that shares its inode."""

    kind: str  # d, f or l
    content: bytes  # digest of a file, target of a symlink
    metadata: tuple[int, int, int, int]  # mode, uid, gid, mtime_ns
    xattrs: tuple[tuple[str, bytes], ...]
    group: bytes


def look(root: Path, *, leave_out: tuple[str, ...] = ()) -> dict[bytes, Thing]:
    """Every name below a folder, looked at by the standard library: path -> what stands there. ``b""`` is itself."""
    top = os.fsencode(root)
    left_out = {os.fsencode(name) for name in leave_out}
    groups: dict[tuple[int, int], bytes] = {}
    found: dict[bytes, Thing] = {}
    waiting = [b""]
    while waiting:
        path = waiting.pop()
        full = top + b"/" + path if path else top
        status = os.lstat(full)
        kind = stat.S_IFMT(status.st_mode)
        content, letter = b"", "d"
        if kind == stat.S_IFREG:
            letter = "f"
            with open(full, "rb") as file:
                content = hashlib.sha256(file.read()).digest()
        elif kind == stat.S_IFLNK:
            letter, content = "l", os.readlink(full)
        elif kind != stat.S_IFDIR:
            continue
        names = os.listxattr(full, follow_symlinks=False)
        xattrs = tuple(sorted((name, os.getxattr(full, name, follow_symlinks=False)) for name in names))
        metadata = (status.st_mode, status.st_uid, status.st_gid, status.st_mtime_ns)
        found[path] = Thing(letter, content, metadata, xattrs, path)
        if letter == "d":
            for name in os.listdir(full):
                if path or name not in left_out:
                    waiting.append(path + b"/" + name if path else name)
        elif status.st_nlink > 1:
            key = (status.st_dev, status.st_ino)
            groups[key] = min(groups.get(key, path), path)
            found[path] = found[path]._replace(group=b"\0%d" % status.st_ino)  # named below
    for path, thing in found.items():
        if thing.group.startswith(b"\0"):
            inode = int(thing.group[1:])
            found[path] = thing._replace(group=next(name for (_, each), name in groups.items() if each == inode))
    return found


def primary_of(pair: Pair) -> dict[bytes, Thing]:
    return look(pair.primary, leave_out=OWN_NAMES)


def copy_of(pair: Pair) -> dict[bytes, Thing]:
    return look(pair.copy)


def different(wanted: dict[bytes, Thing], found: dict[bytes, Thing]) -> list[str]:
    return [
        f"{path!r}: {wanted.get(path)} is {found.get(path)}"
        for path in sorted(wanted.keys() | found.keys())
        if wanted.get(path) != found.get(path)
    ]


def retired_of(pair: Pair) -> Counter[tuple[bytes, str, bytes]]:
    """What ``retired/`` holds, without the stamps: path, kind and content, each as often as it stands there."""
    return Counter(
        (path.partition(b"/")[2], thing.kind, thing.content)
        for path, thing in look(pair.retired).items()
        if thing.kind != "d"
    )


# --- the manifest, by plain SQL


class Claims(NamedTuple):
    entries: dict[bytes, tuple]
    held: dict[bytes, tuple]
    intents: list[Intent]
    unended: int


def claims_of(pair: Pair, where: Path) -> Claims:
    """What the manifest says, read from a copy of its files so that nothing is recovered in place."""
    shutil.rmtree(where, ignore_errors=True)
    shutil.copytree(pair.state_dir / "recordings", where)
    connection = sqlite3.connect(where / "manifest.sqlite3")
    try:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        paths: dict[int, bytes] = {1: b""}
        rows = {
            row[0]: row
            for row in connection.execute(
                "SELECT e.id, e.parent, e.name, e.kind, e.size_bytes, e.mtime_ns, e.ctime_ns, e.inode, e.mode, e.uid,"
                " e.gid, e.nlink, e.algorithm, e.digest, e.target, x.packed, e.dirty, e.listing"
                " FROM entry e LEFT JOIN xattrs x ON x.id = e.xattrs"
            )
        }

        def path_of(entry: int) -> bytes:
            if entry not in paths:
                _, parent, name, *_ = rows[entry]
                above = path_of(parent)
                paths[entry] = above + b"/" + name if above else name
            return paths[entry]

        entries = {path_of(entry): row[3:] for entry, row in rows.items()}
        held = {
            row[0]: row[1:]
            for row in connection.execute("SELECT held, kind, digest, reason FROM past WHERE held IS NOT NULL")
        }
        intents = [
            Intent(row[0], row[1], source=row[2], staged=row[3], held=row[4])
            for row in connection.execute("SELECT action, path, source, staged, held FROM intent")
        ]
        unended = connection.execute("SELECT count(*) FROM run WHERE outcome IS NULL").fetchone()[0]
        return Claims(entries, held, intents, unended)
    finally:
        connection.close()


# --- the world


def write(path: Path, content: bytes | str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content if isinstance(content, bytes) else content.encode())


def replace(path: Path, content: str) -> None:
    """As most programs save: a new file under the old name."""
    new = path.with_name(path.name + ".new")
    new.write_text(content)
    new.replace(path)


def first_tree(root: Path) -> None:
    spring, advent, archive = root / "2026-05 spring concert", root / "2025-12 advent", root / "archive"
    write(spring / "01 kyrie.wav", b"kyrie" * 10_000)
    for number, name in enumerate(("gloria", "credo", "sanctus", "agnus", "encore"), start=2):
        write(spring / f"{number:02d} {name}.wav", f"{name} as recorded\n" * 50)
    write(spring / "scans/poster.png", "poster")
    write(spring / "scans/programme.txt", "programme")
    for name in ("introit", "sequence", "motet", "carol"):
        write(advent / f"{name}.wav", f"{name} in advent")
    write(advent / "rehearsal/monday.wav", "monday")
    write(advent / "rehearsal/deep/tuesday.wav", "tuesday")
    write(archive / "1998/tape 1.wav", "tape 1")
    write(archive / "1998/tape 2.wav", "tape 2")
    write(archive / "1998/box/tape 3.wav", "tape 3")
    write(archive / "swap a.txt", "this is a")
    write(archive / "swap b.txt", "this is b, longer")
    write(archive / "left/one.txt", "left one")
    write(archive / "right/one.txt", "right one")
    write(archive / "becomes folder", "a file yet")
    write(archive / "becomes file/inside.txt", "inside")
    write(archive / "becomes file/deeper/inside too.txt", "inside too")
    write(archive / "becomes link", "no link yet")
    write(root / "members.txt", "members")
    write(root / "put back.txt", "this date will be put back")
    write(root / "empty.txt", "")
    write(root / "old draft.txt", "old draft, first")
    write(root / "young draft.txt", "young draft, first")
    write(root / "linked.wav", "one content, three names")
    os.link(root / "linked.wav", root / "linked too.wav")
    os.link(root / "linked.wav", advent / "linked as well.wav")
    write(root / "pair.wav", "one content, two names")
    os.link(root / "pair.wav", advent / "pair again.wav")
    write(root / "single.wav", "one name yet")
    with open(root / "sparse.wav", "wb") as file:
        file.truncate(400_000)
        file.seek(200_000)
        file.write(b"in the middle")
    (root / "best").symlink_to("2026-05 spring concert/01 kyrie.wav")
    (root / "moves too").symlink_to("members.txt")
    (root / "stops being a link").symlink_to("nowhere")
    (root / "empty folder").mkdir()
    (root / "other empty folder").mkdir()
    os.setxattr(root / "members.txt", "user.choir", b"alto")
    os.setxattr(spring, "user.place", b"town hall")


def changes(root: Path) -> None:
    """One of each kind."""
    spring, advent, archive = root / "2026-05 spring concert", root / "2025-12 advent", root / "archive"
    write(root / "new.wav", "new")
    write(root / "2026-11 autumn/deep/new too.wav", "new too")
    (root / "2026-11 autumn/empty").mkdir()
    (root / "new link").symlink_to("new.wav")
    write(spring / "01 kyrie.wav", b"KYRIE" * 10_001)  # in place
    replace(spring / "02 gloria.wav", "gloria, cut anew")
    with open(spring / "03 credo.wav", "ab") as file:
        file.write(b"and the end")
    os.truncate(spring / "04 sanctus.wav", 10)
    os.rename(spring / "05 agnus.wav", spring / "05 agnus dei.wav")
    os.rename(spring / "06 encore.wav", root / "encore.wav")
    os.rename(spring / "scans", spring / "pictures")
    write(spring / "pictures/programme.txt", "programme, corrected")
    os.rename(advent / "rehearsal", root / "rehearsals of advent")
    os.rename(root / "rehearsals of advent/deep", root / "deep")
    # a new file where another one was renamed away, and a folder likewise
    os.rename(advent / "motet.wav", advent / "motet (old).wav")
    write(advent / "motet.wav", "another motet")
    os.rename(archive / "swap a.txt", archive / "x")
    os.rename(archive / "swap b.txt", archive / "swap a.txt")
    os.rename(archive / "x", archive / "swap b.txt")
    os.rename(archive / "left", archive / "x")
    os.rename(archive / "right", archive / "left")
    os.rename(archive / "x", archive / "right")
    shutil.rmtree(archive / "1998")
    (advent / "carol.wav").unlink()
    (archive / "becomes folder").unlink()
    write(archive / "becomes folder/now.txt", "now in a folder")
    shutil.rmtree(archive / "becomes file")
    write(archive / "becomes file", "a file now")
    (archive / "becomes link").unlink()
    (archive / "becomes link").symlink_to("swap a.txt")
    (root / "stops being a link").unlink()
    write(root / "stops being a link", "no link any more")
    (root / "linked too.wav").unlink()
    replace(advent / "linked as well.wav", "on its own now")
    write(root / "pair.wav", "two names, other content")  # under both names
    os.link(root / "single.wav", advent / "single again.wav")
    (root / "best").unlink()
    (root / "best").symlink_to("2026-05 spring concert/02 gloria.wav")
    os.rename(root / "moves too", advent / "moved link")
    (root / "empty folder").rmdir()
    (root / "other empty folder").chmod(0o750)
    (root / "members.txt").chmod(0o600)
    os.setxattr(root / "members.txt", "user.choir", b"bass")
    os.utime(root / "empty.txt", ns=(0, 1_600_000_000_123_456_789))
    if os.geteuid() == 0:
        os.chown(advent / "introit.wav", 1234, 2345)
    os.removexattr(spring, "user.place")
    then = (root / "put back.txt").stat()
    # Saved anew, as most programs do: in the same inode it would be for a person to judge.
    write(root / "put back.new", "THIS DATE WILL BE PUT BACK")
    os.utime(root / "put back.new", ns=(then.st_atime_ns, then.st_mtime_ns))
    os.rename(root / "put back.new", root / "put back.txt")
    write(root / "sparse.wav", b"not sparse any more")


class World:
    """A pair whose next night sees ``changes`` and lets a version from the second night expire."""

    decayed: frozenset[bytes] = frozenset()  # names of the copy that had other content before the night than it should

    def __init__(self, base: Path, monkeypatch: pytest.MonkeyPatch, **missing: bool) -> None:
        """``missing``: abilities that the secondary is taken not to have, ``hard_links=False``."""
        self.base = base
        self._monkeypatch = monkeypatch
        self.capabilities = with_abilities(base, monkeypatch, missing)
        self.pair = Pair(base / "primary", base / "secondary", base / "state", keep_retired="3d",
                         keep_retired_at_least="0d")  # fmt: skip
        root = self.pair.primary
        first_tree(root)
        self._night()
        write(root / "old draft.txt", "old draft, second")
        self._night()
        self._night()
        self._night()
        write(root / "young draft.txt", "young draft, second")
        self._night()
        changes(root)
        self.pair.clock.pass_days(1)
        # Something that no run put there, under a name that is about to come, and in a folder that is about to go.
        write(self.pair.copy / FOREIGN, "not ours")
        write(self.pair.copy / "archive/1998/not ours either.txt", "not ours either")
        self.primary = primary_of(self.pair)
        self.save()

    def loses_links(self) -> None:
        """The copy holds a file of its own for each name: it cannot share them."""
        self.primary = unlinked(self.primary)

    def _night(self) -> None:
        self.pair.clock.pass_days(1)
        self.pair.run_well()

    # --- saving and putting back

    def save(self) -> None:
        self.before = copy_of(self.pair)
        self.retired_before = retired_of(self.pair)
        self._saved = self.base / "saved"
        self._copy(self.pair.secondary, self._saved / "secondary")
        self._copy(self.pair.state_dir, self._saved / "state")

    def put_back(self) -> None:
        self._copy(self._saved / "secondary", self.pair.secondary)
        self._copy(self._saved / "state", self.pair.state_dir)

    def keep_aside(self) -> None:
        """Saves a second state, as left by a death."""
        self._copy(self.pair.secondary, self.base / "aside/secondary")
        self._copy(self.pair.state_dir, self.base / "aside/state")

    def put_aside_back(self) -> None:
        self._copy(self.base / "aside/secondary", self.pair.secondary)
        self._copy(self.base / "aside/state", self.pair.state_dir)

    def _copy(self, source: Path, target: Path) -> None:
        copy_drive(source, target)

    # --- running

    def run(self, effects: Effects | None = None) -> Result | NightferryError:
        """A night, or the error that kept it from beginning. Anything else it raises is a bug."""
        try:
            return self.pair.run(effects=effects)
        except NightferryError as error:
            return error

    def reference(self, effects: Effects) -> None:
        """The undisturbed night, to which all others are compared."""
        self.put_back()
        result = self.pair.run_well(effects=effects)
        assert result.tally.expired == 1
        self.after = copy_of(self.pair)
        assert different(self.primary, self.after) == []
        self.retired_after = retired_of(self.pair)
        self.claims_after = claims_of(self.pair, self.base / "looked at")
        self._check_held(self.claims_after)
        self.pair.run_quiet()
        self.listings = {path: row[-1] for path, row in claims_of(self.pair, self.base / "looked at").entries.items()}

    # --- what must hold

    def check_interrupted(self, *, gap: bool = False, claims: bool = True) -> None:
        """Rules B and D, at the moment of death. ``gap``: one name may be missing, that is just being replaced."""
        now, retired = copy_of(self.pair), retired_of(self.pair)
        missing = []
        for path in self.before.keys() & self.after.keys():
            old, new = self.before[path], self.after[path]
            if old.kind != new.kind or _moved(self.before, self.after, path) or path == FOREIGN.encode():
                continue
            found = now.get(path)
            if found is None:
                missing.append(path)
                continue
            states = [(old.kind, old.content), (new.kind, new.content)]
            assert (found.kind, found.content) in states, f"{path!r} is neither the old nor the new: {found}"
        assert len(missing) <= gap, f"missing from the copy: {missing}"
        held_contents = {(kind, content) for _, kind, content in retired}
        standing = {(thing.kind, thing.content) for thing in now.values()} | held_contents
        for path, thing in self.before.items():
            if thing.kind != "d":
                assert (thing.kind, thing.content) in standing, f"the content of {path!r} is nowhere"
        for kept in self.retired_before & self.retired_after:
            assert kept in retired, f"{kept} is gone from retired/"
        if claims:
            self._check_claims(now)

    def _check_claims(self, now: dict[bytes, Thing]) -> None:
        claims = claims_of(self.pair, self.base / "looked at")
        explained = [path for intent in claims.intents for path in (intent.path, intent.source) if path is not None]
        for path, (kind, _, *rest) in claims.entries.items():
            if any(path == each or path.startswith(each + b"/") for each in explained):
                continue
            found = now.get(path)
            assert found is not None, f"the manifest claims {path!r}, which is not in the copy"
            assert found.kind == {1: "d", 2: "f", 3: "l"}[kind], f"the manifest claims another kind of {path!r}"
            if path in self.decayed and found == self.before[path]:
                continue
            if found.kind == "f":
                digest = rest[8]
                assert digest == xxh3(self.pair.copy, path), f"the manifest claims other content of {path!r}"
            elif found.kind == "l":
                assert rest[9] == found.content
        self._check_held(claims, exact=False)

    def _check_held(self, claims: Claims, *, exact: bool = True) -> None:
        held = {path for path, thing in look(self.pair.retired).items() if thing.kind != "d"}
        explained = {intent.held for intent in claims.intents} | {
            intent.path for intent in claims.intents if intent.action == "expire"
        }
        for path in claims.held.keys() - held:
            assert path in explained, f"the manifest says that {path!r} is held, which it is not"
        if exact:
            assert held == set(claims.held), f"unknown to the manifest: {held - set(claims.held)}"
        for path in claims.held.keys() & held - explained:
            kind, digest, reason = claims.held[path]
            if reason not in ("unlisted", "decayed") and kind == 2:  # of these the manifest does not know the bytes
                assert digest == xxh3(self.pair.retired, path), f"held with other content: {path!r}"

    def check_recovered(self, *, may_hold_more: bool = False, may_hold_folders: bool = False) -> None:
        """Rule E: after a clean night all is as the undisturbed one left it.

        ``may_hold_more``: what could not be read for a night may have been copied again, the old one retired.
        ``may_hold_folders``: also empty ones may stand below ``retired/``.
        """
        found = copy_of(self.pair)
        found_different = different(self.primary, found)
        assert not found_different, f"the copy is not the primary: {found_different[:5]}"
        retired = retired_of(self.pair)
        more, missing = retired - self.retired_after, self.retired_after - retired
        assert not missing and (may_hold_more or not more), f"retired/ has too many: {more}, lacks: {missing}"
        empty = [path for path, thing in look(self.pair.retired).items() if thing.kind == "d" and path]
        standing = [path for path, thing in look(self.pair.retired).items() if thing.kind != "d"]
        for folder in [] if may_hold_folders else empty:
            assert any(path.startswith(folder + b"/") for path in standing), f"an empty folder stays: {folder!r}"
        assert self.pair.staging() == [], f"staging: {self.pair.staging()}"
        top = sorted(os.listdir(self.pair.secondary))
        assert top == [
            ".nightferry-volume.toml", "copy", "records", "retired", "staging",
        ], f"at the top: {top}"  # fmt: skip
        claims = claims_of(self.pair, self.base / "looked at")
        assert claims.intents == []
        self._check_held(claims)
        assert claims.entries.keys() == self.claims_after.entries.keys()
        for path, row in self.claims_after.entries.items():
            found_row = claims.entries[path]
            assert found_row[:-1] == row[:-1], f"{path!r}: the manifest says {found_row}, undisturbed {row}"
            # A folder in which something was left undone is looked at in full again, which is no difference.
            assert found_row[-1] in (None, row[-1], self.listings[path]), f"{path!r}: another listing is remembered"


def unlinked(things: dict[bytes, Thing]) -> dict[bytes, Thing]:
    return {path: thing._replace(group=path) for path, thing in things.items()}


def _moved(before: dict[bytes, Thing], after: dict[bytes, Thing], path: bytes) -> bool:
    """Whether a name met two things, one of which moved away (a folder above it included)."""
    contents_before = {thing.content for thing in before.values() if thing.kind != "d"}
    old, new = before[path], after[path]
    if old.kind == "d":
        return False
    came = new.content in contents_before and new.content != old.content
    went = old.content in {thing.content for other, thing in after.items() if other != path and other not in before}
    return came or went


def xxh3(root: Path, path: bytes) -> bytes:
    import xxhash

    with open(os.fsencode(root) + b"/" + path, "rb") as file:
        return xxhash.xxh3_128_digest(file.read())


def copy_drive(source: Path, target: Path) -> None:
    """A folder that stands for a drive, in place of what is there."""
    shutil.rmtree(os.fsencode(target), ignore_errors=True)
    target.parent.mkdir(parents=True, exist_ok=True)
    subprocess.run(["cp", "-a", "--sparse=always", "--", source, target], check=True, timeout=60)
    # The card says which inode its own file has; the copy got a new one.
    _correct_card(target)


def _correct_card(root: Path) -> None:
    card = root / ".nightferry-volume.toml"
    if card.exists():
        lines = card.read_text().splitlines(keepends=True)
        inode = card.stat().st_ino
        card.write_text("".join(f"inode = {inode}\n" if line.startswith("inode =") else line for line in lines))


def with_abilities(base: Path, monkeypatch: pytest.MonkeyPatch, missing: dict[str, bool]) -> Capabilities:
    """Finds out what the file system can do once, and leaves the probe out of the nights: it has tests of its own."""
    folder = base / "probed"
    folder.mkdir(parents=True, exist_ok=True)
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        real = run_module.probe(fd, Effects(), as_root=os.geteuid() == 0, file_system="ext4")
    finally:
        os.close(fd)
    fixed = dataclasses.replace(real, **{"syncfs_covers": True, **missing})
    monkeypatch.setattr(run_module, "probe", lambda *_, **__: fixed)
    return fixed


def fast_folder(tmp_path: Path) -> tuple[Path, Callable[[], None]]:
    """A folder in memory where that can hold attributes, otherwise below ``tmp_path``; and how to remove it."""
    shm = Path("/dev/shm")
    if shm.is_dir() and os.access(shm, os.W_OK):
        folder = Path(tempfile.mkdtemp(prefix="choir-", dir=shm))
        try:
            os.setxattr(folder, "user.choir", b"alto")
            os.removexattr(folder, "user.choir")
            return folder, lambda: shutil.rmtree(folder, ignore_errors=True)
        except OSError:
            folder.rmdir()
    folder = tmp_path / "world"
    folder.mkdir()
    return folder, lambda: None
