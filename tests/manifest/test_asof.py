"""The state that a run left: names, links, and where contents stand. Whole random nights: tests/night/test_as_of.py."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightferry.manifest import asof
from nightferry.manifest.asof import AsOf, Source
from nightferry.manifest.contents import Contents, Recorded
from nightferry.manifest.database import open_existing
from nightferry.manifest.formats import FORMATS
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Content, Intent
from nightferry.manifest.soundness import find_fault
from nightferry.manifest.untrusted import open_untrusted
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat
from older_format import to_format_1

FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
FILE = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
ONE, TWO, THREE = (Content(1, bytes([number]) * 16) for number in (1, 2, 3))
CONCERT, MASS = b"2026-05 spring concert", b"2026-05 mass"


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    made = Manifest.create(tmp_path / FILE_NAME, Effects(), pair_id="p", pair_name="recordings")
    with made.database.transaction():
        made.entries.insert(0, b"", FOLDER, Content(), None, 1)
    yield made
    made.close()


def settle(manifest: Manifest, run: int, *intents: Intent) -> None:
    manifest.journal.write(intents, run)
    manifest.journal.settle([intent for _, intent in manifest.journal.read()], run)


def place(path: bytes, content: Content, stat: Stat = FILE, **more: object) -> Intent:
    return Intent("place", path, staged=b"staging/1", stat=stat, content=content, **more)


def entry_of(manifest: Manifest, path: bytes) -> int:
    entry = manifest.entries.find(path)
    assert entry is not None
    return entry.id


def names(manifest: Manifest, run: int) -> dict[bytes, bytes | None]:
    """Path and checksum of everything as of a run."""
    as_of = AsOf(manifest, run)
    root = as_of.find(b"")
    assert root is not None
    return {path: node.content.digest for path, node in as_of.below(root, b"") if path}


@pytest.fixture
def concert(manifest: Manifest) -> Manifest:
    """Run 1: a folder with a file. 2: the file changes. 3: the folder is renamed. 4: the file is removed."""
    settle(manifest, 1, Intent("folder", CONCERT, stat=FOLDER), place(CONCERT + b"/kyrie.wav", ONE))
    kyrie = entry_of(manifest, CONCERT + b"/kyrie.wav")
    settle(manifest, 2, place(CONCERT + b"/kyrie.wav", TWO, entry=kyrie, held=b"2/kyrie.wav", reason="changed"))
    folder = entry_of(manifest, CONCERT)
    settle(manifest, 3, Intent("move", MASS, folder, source=CONCERT, stat=FOLDER))
    settle(manifest, 4, Intent("retire", MASS + b"/kyrie.wav", kyrie, held=b"4/kyrie.wav", stat=FILE))
    return manifest


def test_each_run_has_its_own_state(concert: Manifest) -> None:
    assert names(concert, 1) == {CONCERT: None, CONCERT + b"/kyrie.wav": ONE.digest}
    assert names(concert, 2) == {CONCERT: None, CONCERT + b"/kyrie.wav": TWO.digest}
    assert names(concert, 3) == {MASS: None, MASS + b"/kyrie.wav": TWO.digest}
    assert names(concert, 4) == {MASS: None} == names(concert, 17)
    assert AsOf(concert, 0).find(b"") is None


def test_a_name_is_found_by_the_path_that_it_had(concert: Manifest) -> None:
    as_of = AsOf(concert, 2)
    node = as_of.find(CONCERT + b"/kyrie.wav")
    assert node is not None
    assert (node.since, node.until, node.content) == (2, 4, TWO)
    assert as_of.path(node) == CONCERT + b"/kyrie.wav"
    assert AsOf(concert, 3).path(node) == MASS + b"/kyrie.wav"
    for run, path in (
        (2, MASS),
        (3, CONCERT),
        (1, b"kyrie.wav"),
        (4, MASS + b"/kyrie.wav"),
        (2, CONCERT + b"/kyrie.wav/x"),
    ):
        assert AsOf(concert, run).find(path) is None


def test_sources_of_a_removed_file(concert: Manifest) -> None:
    for run, place_now in ((1, b"2/kyrie.wav"), (2, b"4/kyrie.wav"), (3, b"4/kyrie.wav")):
        as_of = AsOf(concert, run)
        node = as_of.find((CONCERT if run < 3 else MASS) + b"/kyrie.wav")
        assert node is not None
        assert as_of.sources(node) == [Source("retired", place_now, int(place_now[:1]))]


def test_content_that_moved_stands_with_a_later_version(manifest: Manifest) -> None:
    settle(manifest, 1, place(b"kyrie.wav", ONE))
    kyrie = entry_of(manifest, b"kyrie.wav")
    settle(manifest, 2, Intent("move", b"gloria.wav", kyrie, source=b"kyrie.wav", stat=FILE))
    node = AsOf(manifest, 1).find(b"kyrie.wav")
    assert node is not None
    assert AsOf(manifest, 1).sources(node) == [Source("copy", b"gloria.wav")]
    settle(manifest, 3, place(b"gloria.wav", TWO, entry=kyrie, held=b"3/gloria.wav", reason="changed"))
    assert AsOf(manifest, 1).sources(node) == [Source("retired", b"3/gloria.wav", 3)]
    settle(manifest, 4, place(b"gloria.wav", ONE, entry=kyrie, held=b"4/gloria.wav", reason="changed"))
    assert AsOf(manifest, 1).sources(node) == [Source("copy", b"gloria.wav"), Source("retired", b"3/gloria.wav", 3)]


def test_what_a_run_wrote_twice_stood_at_no_end(manifest: Manifest) -> None:
    settle(manifest, 1, place(b"kyrie.wav", ONE))
    kyrie = entry_of(manifest, b"kyrie.wav")
    for content, held in ((TWO, b"2/kyrie.wav"), (THREE, b"2/kyrie.wav~1")):
        settle(manifest, 2, place(b"kyrie.wav", content, entry=kyrie, held=held, reason="changed"))
    assert names(manifest, 1) == {b"kyrie.wav": ONE.digest}
    assert names(manifest, 2) == {b"kyrie.wav": THREE.digest}


def test_a_bad_version_is_a_suspect_and_no_source(manifest: Manifest) -> None:
    """The copy had decayed in run 2 and was mended: what was set aside is bad."""
    settle(manifest, 1, place(b"kyrie.wav", ONE))
    kyrie = entry_of(manifest, b"kyrie.wav")
    settle(manifest, 2, place(b"kyrie.wav", ONE, entry=kyrie, held=b"2/kyrie.wav", reason="decayed"))
    as_of = AsOf(manifest, 1)
    node = as_of.find(b"kyrie.wav")
    assert node is not None
    assert as_of.sources(node) == [Source("copy", b"kyrie.wav")]
    assert list(Contents(manifest).places(node.content)) == [Recorded("copy", b"kyrie.wav")]
    assert as_of.suspects(node) == [Source("retired", b"2/kyrie.wav", 2)]


def test_the_first_source_is_that_of_all_sources(concert: Manifest) -> None:
    for run in (1, 2, 3):
        as_of = AsOf(concert, run)
        root = as_of.find(b"")
        assert root is not None
        for _, node in as_of.below(root, b""):
            first = as_of.first_source(node)
            assert first is None or [first] == as_of.sources(node)[:1]


def test_a_walk_over_folders_gives_the_folders_of_the_walk_over_all(concert: Manifest) -> None:
    for run in (1, 2, 3, 4):
        as_of = AsOf(concert, run)
        root = as_of.find(b"")
        assert root is not None
        wanted = [path for path, node in as_of.below(root, b"") if node.stat.kind is Kind.FOLDER]
        assert [path for path, _ in as_of.below(root, b"", folders_only=True)] == wanted


@pytest.mark.parametrize(
    ("verdict", "is_source"), [("decayed", False), ("missing", False), ("unreadable", True), ("unlisted", True)]
)
def test_a_copy_in_the_damage_register(manifest: Manifest, verdict: str, is_source: bool) -> None:
    settle(manifest, 1, place(b"kyrie.wav", ONE))
    kyrie = entry_of(manifest, b"kyrie.wav")
    settle(manifest, 2, place(b"kyrie.wav", TWO, entry=kyrie, held=b"2/kyrie.wav", reason="changed"))
    settle(manifest, 3, place(b"kyrie.wav", ONE, entry=kyrie, held=b"3/kyrie.wav", reason="changed"))
    copy, retired = Source("copy", b"kyrie.wav"), Source("retired", b"2/kyrie.wav", 2)
    as_of = AsOf(manifest, 1)
    node = as_of.find(b"kyrie.wav")
    assert node is not None
    assert as_of.sources(node) == [copy, retired]
    manifest.runs.find_damage(b"kyrie.wav", "secondary", verdict, "verify", 3, 0.0, "")
    places = as_of.sources(node)
    assert (copy in places) == is_source and retired in places
    assert as_of.suspects(node) == ([] if is_source else [copy])
    if verdict == "unreadable":
        assert places[-1] == copy, "it is tried last"
    manifest.runs.find_damage(b"2/kyrie.wav", "retired", "decayed", "verify", 3, 0.0, "")
    assert retired not in as_of.sources(node)
    assert retired in as_of.suspects(node)
    manifest.runs.close_damage(b"kyrie.wav", "secondary", 3, "mended")
    assert as_of.sources(node) == [copy]


def test_what_was_let_go_is_no_source(concert: Manifest) -> None:
    with concert.database.transaction():
        concert.past.expire(b"2/kyrie.wav", 40)
        concert.past.let_go(b"4/kyrie.wav")
    for run, path, bad in (
        (1, CONCERT + b"/kyrie.wav", []),
        (3, MASS + b"/kyrie.wav", [Source("retired", b"4/kyrie.wav", 4)]),
    ):
        as_of = AsOf(concert, run)
        node = as_of.find(path)
        assert node is not None
        assert (as_of.sources(node), as_of.suspects(node)) == ([], bad)


def test_what_no_run_put_there_stood_in_no_state(manifest: Manifest) -> None:
    settle(manifest, 1, place(b"kyrie.wav", ONE))
    settle(manifest, 3, Intent("unlisted", b"stranger", held=b"3/stranger", reason="unlisted"))
    assert names(manifest, 2) == names(manifest, 3) == {b"kyrie.wav": ONE.digest}


def test_links_are_one_file_also_where_one_is_gone(manifest: Manifest) -> None:
    """When the other name goes, the link count of the one that stays is noted without a new version."""
    linked = FILE._replace(nlink=2, inode=77)
    settle(manifest, 1, place(b"a", ONE, linked), place(b"b", ONE, linked), place(b"c", ONE), place(b"d", TWO))
    first, second = entry_of(manifest, b"a"), entry_of(manifest, b"b")
    settle(manifest, 2, Intent("retire", b"a", first, held=b"2/a", stat=linked))
    with manifest.database.transaction():
        manifest.entries.observe(second, linked._replace(nlink=1, ctime_ns=30))
    then, now = AsOf(manifest, 1), AsOf(manifest, 2)
    a, b, c = (then.find(name) for name in (b"a", b"b", b"c"))
    assert a is not None and b is not None and c is not None
    assert [node.name for node in then.linked(a)] == [node.name for node in then.linked(b)] == [b"a", b"b"]
    assert then.linked(c) == [c]
    assert [node.name for node in now.linked(b)] == [b"b"]
    assert then.sources(a) == [Source("copy", b"b"), Source("retired", b"2/a", 2)]
    assert then.sources(b) == [Source("copy", b"b"), Source("retired", b"2/a", 2)]
    assert list(Contents(manifest).places(a.content)) == [
        Recorded("copy", b"b"), Recorded("copy", b"c"), Recorded("retired", b"2/a"),
    ]  # fmt: skip


def test_one_inode_is_one_file_only_where_all_else_agrees(manifest: Manifest) -> None:
    """Rows may have been read on different nights, and the number been given to another file between them."""
    linked = FILE._replace(nlink=2, inode=77)
    settle(
        manifest, 1, place(b"a", ONE, linked), place(b"b", TWO, linked), place(b"c", ONE, linked._replace(mtime_ns=9))
    )
    as_of = AsOf(manifest, 1)
    a = as_of.find(b"a")
    assert a is not None
    assert as_of.linked(a) == [a]


def test_rows_without_an_inode_are_not_one_file(manifest: Manifest) -> None:
    """As ``stock`` enters what only the drive tells of: with the inode 0, many of them."""
    unknown = FILE._replace(nlink=2, inode=0)
    settle(manifest, 1, place(b"a", ONE, unknown), place(b"b", ONE, unknown))
    as_of = AsOf(manifest, 1)
    a = as_of.find(b"a")
    assert a is not None
    assert as_of.linked(a) == [a]
    assert as_of.sources(a) == [Source("copy", b"a")]


def test_names_come_in_the_order_of_their_bytes_past_and_present(manifest: Manifest) -> None:
    stood = [b"\x01", b"A", b"B", b"a", b"b", b"\xc3\xa9", b"\xff"]
    settle(manifest, 1, *(place(name, ONE) for name in stood))
    gone = [(name, entry_of(manifest, name)) for name in stood[::2]]
    settle(manifest, 2, *(Intent("retire", name, row, held=b"2/" + name, stat=FILE) for name, row in gone))
    settle(manifest, 3, *(place(name, TWO) for name in (b"A!", b"B")))
    assert [node.name for node in AsOf(manifest, 1).children(1)] == stood
    assert [node.name for node in AsOf(manifest, 3).children(1)] == [b"A", b"A!", b"B", b"a", b"\xc3\xa9"]


def test_a_folder_that_stood_already_keeps_its_history(manifest: Manifest) -> None:
    settle(manifest, 1, Intent("folder", CONCERT, stat=FOLDER), place(CONCERT + b"/kyrie.wav", ONE))
    settle(manifest, 5, Intent("folder", CONCERT, stat=FOLDER._replace(mtime_ns=99)))
    assert names(manifest, 1) == {CONCERT: None, CONCERT + b"/kyrie.wav": ONE.digest}


def test_rule_I_a_folder_that_claims_two_places_ends_the_walk(concert: Manifest) -> None:
    """A manifest found on a drive is input: here the folder of the past lies in itself as well."""
    folder = entry_of(concert, MASS)
    with concert.database.transaction() as connection:
        connection.execute(
            "INSERT INTO past SELECT NULL, entry, ?, X'6167', kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid,"
            " gid, nlink, algorithm, digest, target, xattrs, born, since, until, reason, held, expired, read_s"
            " FROM past WHERE entry = ? AND reason = 'moved'",
            (folder, folder),
        )
    assert len(names(concert, 1)) <= 3


# --- cost and older manifests


def test_rule_J_every_question_goes_through_an_index(manifest: Manifest) -> None:
    """A scan for one name would make a walk quadratic. ``elsewhere`` alone reads all rows, and says so."""
    values = {
        "run": 1, "entry": 1, "parent": 1, "name": b"a", "inode": 1, "algorithm": 1, "digest": b"", "target": None,
        "kind": 2, "limit": 1,
    }  # fmt: skip
    for name in ("_BY_ID", "_CHILD", "_CHILDREN", "_BY_INODE", "_OF_FILE", "_OF_ROW"):
        plan = manifest.database.connection.execute(f"EXPLAIN QUERY PLAN {getattr(asof, name)}", values)
        steps = [row[3] for row in plan]
        assert not [step for step in steps if step.startswith("SCAN")], f"{name}: {steps}"
        if name == "_CHILDREN":
            assert not [step for step in steps if "TEMP B-TREE" in step], "names are sorted by an index"


def test_an_older_manifest_gets_its_indexes_when_it_is_opened_for_writing(concert: Manifest, tmp_path: Path) -> None:
    wanted = [names(concert, run) for run in range(1, 5)]
    concert.close()
    path = tmp_path / FILE_NAME
    to_format_1(path, without=FORMATS[1].optional)
    assert find_fault(path, thorough=True, pair_id="p") is None
    read = Manifest.open(path, Effects(), writable=False)
    assert [names(read, run) for run in range(1, 5)] == wanted
    read.close()
    with Manifest.look(path, Effects(), in_use=False) as looked:
        assert [names(looked, run) for run in range(1, 5)] == wanted
    with open_untrusted(str(path), Effects(), shown="sealed", pair_id="p") as sealed:
        assert names(sealed, 2) == wanted[1]
    for _ in range(2):
        written = open_existing(path, Effects(), writable=True)
        found = {row[0] for row in written.connection.execute("SELECT name FROM sqlite_schema WHERE type = 'index'")}
        assert found >= FORMATS[1].optional
        assert written.connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        written.close()
