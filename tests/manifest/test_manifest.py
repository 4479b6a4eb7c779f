"""A manifest: entries, past, runs, and what opening refuses."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightferry.errors import Failed
from nightferry.manifest import entries
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content, Intent
from nightferry.manifest.untrusted import generation_of
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from nightferry.tree.root import join

FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
FILE = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
CONTENT = Content(1, b"\x01" * 16)


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    made = Manifest.create(tmp_path / "manifest.sqlite3", Effects(), pair_id="p", pair_name="recordings")
    with made.database.transaction():
        made.entries.insert(0, b"", FOLDER, Content(), None, 1)
    yield made
    made.close()


def settle(manifest: Manifest, run: int, *intents: Intent) -> None:
    manifest.journal.write(intents, run)
    read = [intent for _, intent in manifest.journal.read()]
    assert [intent._replace(seq=0) for intent in read] == list(intents)  # what was written is what a restart reads
    manifest.journal.settle(read, run)
    assert manifest.journal.read() == []


def test_a_file_s_life(manifest: Manifest) -> None:
    settle(
        manifest, 1,
        Intent("folder", b"concert", stat=FOLDER),
        Intent("place", b"concert/kyrie.wav", staged=b"staging/1", stat=FILE, content=CONTENT),
    )  # fmt: skip
    entry = manifest.entries.find(b"concert/kyrie.wav")
    assert entry is not None
    assert (entry.stat, entry.content, entry.born, entry.since) == (FILE, CONTENT, 1, 1)
    changed = FILE._replace(size_bytes=6)
    settle(
        manifest, 2,
        Intent(
            "place", b"concert/kyrie.wav", entry.id, staged=b"staging/2", held=b"2/concert/kyrie.wav",
            reason="changed", stat=changed, content=Content(1, b"\x02" * 16),
        ),
    )  # fmt: skip
    folder = manifest.entries.find(b"concert")
    assert folder is not None
    settle(manifest, 3, Intent("move", b"mass", folder.id, source=b"concert", stat=FOLDER))
    assert manifest.entries.path(entry.id) == b"mass/kyrie.wav"
    assert manifest.entries.find(b"concert/kyrie.wav") is None
    settle(manifest, 4, Intent("retire", b"mass/kyrie.wav", entry.id, held=b"4/mass/kyrie.wav", reason="removed"))
    assert manifest.entries.find(b"mass/kyrie.wav") is None
    held = [(past.until, past.reason, past.held) for past in manifest.past.held_until(4)]
    assert held == [(2, "changed", b"2/concert/kyrie.wav"), (4, "removed", b"4/mass/kyrie.wav")]
    (changed_in_2,) = manifest.past.of_run(2)
    # its path as of each run, through the folder's move
    assert manifest.past.path_as_of(changed_in_2.parent, changed_in_2.name, 2) == b"concert/kyrie.wav"
    assert manifest.past.path_as_of(changed_in_2.parent, changed_in_2.name, 3) == b"mass/kyrie.wav"
    settle(manifest, 5, Intent("expire", b"2/concert/kyrie.wav"))
    assert [past.held for past in manifest.past.held_until(5)] == [b"4/mass/kyrie.wav"]


def test_new_files_of_a_folder_are_entered_at_once_also_beside_one_that_has_a_row(manifest: Manifest) -> None:
    """A row that is there already is neither lost nor doubled: its version goes to the past, as of a single file."""
    names = [b"%02d.wav" % number for number in range(30)]
    settle(
        manifest, 1,
        Intent("folder", b"mass", stat=FOLDER), Intent("place", b"mass/07.wav", stat=FILE, content=CONTENT),
    )  # fmt: skip
    other = Content(1, b"\x02" * 16)
    new = [Intent("place", b"mass/" + name, stat=FILE, content=other) for name in names]
    settle(manifest, 2, *new, Intent("place", b"at the top.wav", stat=FILE, content=other))
    folder = manifest.entries.find(b"mass")
    assert folder is not None
    found = list(manifest.entries.children(folder.id))
    assert [(each.name, each.content, each.since) for each in found] == [(name, other, 2) for name in names]
    past = manifest.database.connection.execute("SELECT name, since, until, digest FROM past").fetchall()
    assert past == [(b"07.wav", 1, 2, CONTENT.digest)]
    assert {1, folder.id} <= set(manifest.entries.dirty_folders())
    assert manifest.entries.find(b"at the top.wav") is not None


def test_ids_are_never_used_twice(manifest: Manifest) -> None:
    settle(manifest, 1, Intent("place", b"a", staged=b"s", stat=FILE, content=CONTENT))
    first = manifest.entries.find(b"a")
    assert first is not None
    settle(manifest, 2, Intent("retire", b"a", first.id, held=b"2/a", reason="removed"))
    settle(manifest, 3, Intent("place", b"b", staged=b"s", stat=FILE, content=CONTENT))
    second = manifest.entries.find(b"b")
    assert second is not None
    assert second.id > first.id


def test_digests_of_all_files_come_folder_by_folder(manifest: Manifest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(entries, "_PIECE_ROWS", 3)
    folders = [b"", b"mass", b"mass/2026", b"mass/2026/empty", b"\xff"]
    files = [
        folder + b"/%d.wav" % number if folder else b"%d.wav" % number for folder in folders[:3] for number in range(7)
    ]
    files.append(b"\xff/kyrie.wav")
    settle(
        manifest, 1,
        *(Intent("folder", folder, stat=FOLDER) for folder in folders[1:]),
        *(Intent("place", path, stat=FILE, content=Content(1, path.ljust(16)[:16])) for path in files),
        Intent("place", b"mass/best", stat=FILE._replace(kind=Kind.SYMLINK), content=Content(target=b"kyrie.wav")),
    )  # fmt: skip
    found = list(manifest.entries.digests())
    assert max(len(piece) for _, piece in found) == 3
    listed = {join(folder, name): (algorithm, digest) for folder, piece in found for name, algorithm, digest in piece}
    below = {path: entry for path, entry in manifest.entries.below(1, b"") if entry.stat.kind is Kind.FILE}
    assert set(files) == below.keys()
    assert listed == {path: (entry.content.algorithm, entry.content.digest) for path, entry in below.items()}


def test_children_come_in_the_order_of_bytes(manifest: Manifest) -> None:
    names = [b"b", b"a", b"\xff", b"B", b"a b", b"\x01", "ä".encode()]
    settle(manifest, 1, *(Intent("place", name, staged=b"s", stat=FILE, content=CONTENT) for name in names))
    assert [entry.name for entry in manifest.entries.children(1)] == sorted(names)


@pytest.mark.parametrize("mtime_ns", [-(10**18), 0, 2**63 - 1, 2**63, 10**20, -(10**20)])
def test_times_beyond_64_bits_are_kept(manifest: Manifest, mtime_ns: int) -> None:
    far = FILE._replace(mtime_ns=mtime_ns, ctime_ns=mtime_ns + 1)
    settle(manifest, 1, Intent("place", b"far", staged=b"s", stat=far, content=CONTENT))
    entry = manifest.entries.find(b"far")
    assert entry is not None
    assert (entry.stat.mtime_ns, entry.stat.ctime_ns) == (mtime_ns, mtime_ns + 1)


def test_attributes_are_kept_once_for_all_that_have_them(manifest: Manifest) -> None:
    xattrs = ((b"user.conductor", b"A. Lind"), (b"user.hall", b"\x00\xff"))
    row = manifest.entries.xattrs_row(xattrs)
    assert manifest.entries.xattrs_row(tuple(reversed(xattrs))) == row
    assert manifest.entries.xattrs(row) == xattrs
    assert manifest.entries.xattrs_row(()) is None


def test_a_transaction_that_fails_leaves_nothing(manifest: Manifest) -> None:
    with pytest.raises(ZeroDivisionError), manifest.database.transaction():
        manifest.entries.insert(1, b"half", FILE, CONTENT, None, 1)
        raise ZeroDivisionError
    assert manifest.entries.find(b"half") is None


def test_holds_and_damage(manifest: Manifest) -> None:
    runs = manifest.runs
    runs.start(1, "000001-x", 100.0)
    runs.hold(1, 30, 2, "too many")
    hold = runs.open_hold()
    assert hold is not None
    assert (hold.removals, hold.replacements, hold.released_s) == (30, 2, None)
    runs.release(1, 200.0)
    runs.spend_holds(2)
    assert runs.open_hold() is None
    for _ in range(2):  # entered once while open
        runs.find_damage(b"a", "secondary", "decayed", "read-back", 1, 100.0, "two bytes")
    assert runs.open_damage() == [(b"a", "secondary", "decayed", "two bytes")]
    runs.close_damage(b"a", "secondary", 2, "mended")
    assert runs.open_damage() == []


def test_opening_refuses_what_is_no_manifest(tmp_path: Path) -> None:
    with pytest.raises(Failed, match="cannot be opened"):
        Manifest.open(tmp_path / "none.sqlite3", Effects())
    (tmp_path / "text.sqlite3").write_bytes(b"not a database, " * 500)
    with pytest.raises(Failed, match="cannot be opened"):
        Manifest.open(tmp_path / "text.sqlite3", Effects())
    newer = sqlite3.connect(tmp_path / "newer.sqlite3")
    newer.executescript(
        "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT); INSERT INTO meta VALUES ('schema', '99');"
    )
    newer.close()
    with pytest.raises(Failed, match="format 99"):
        Manifest.open(tmp_path / "newer.sqlite3", Effects())


def test_sealing_makes_a_whole_copy(manifest: Manifest, tmp_path: Path) -> None:
    manifest.set_generation(7)
    sealed = tmp_path / "sealed with ? and # and %.sqlite3"
    manifest.copy_to(sealed)
    again = Manifest.open(sealed, Effects(), writable=False)
    assert again.generation == 7
    assert again.database.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    again.close()
    plain = tmp_path / "sealed.sqlite3"
    sealed.rename(plain)
    assert generation_of(plain) == 7
    plain.write_bytes(plain.read_bytes()[:100])
    assert generation_of(plain) is None


@given(
    st.lists(
        st.tuples(st.binary(min_size=1, max_size=20), st.binary(max_size=50)),
        unique_by=lambda pair: pair[0],
        max_size=8,
    )
)
def test_packed_attributes_come_back(pairs: list[tuple[bytes, bytes]]) -> None:
    from nightferry.tree.metadata import pack_xattrs, unpack_xattrs

    assert unpack_xattrs(pack_xattrs(tuple(pairs))) == tuple(sorted(pairs))


@given(st.binary(max_size=60))
def test_packed_attributes_from_elsewhere_are_checked(packed: bytes) -> None:
    from nightferry.tree.metadata import unpack_xattrs

    try:
        found = unpack_xattrs(packed)
    except ValueError:
        return
    assert all(0 < len(name) <= 255 and len(value) <= 65_536 for name, value in found)
