"""A manifest found on a drive: what a night writes is accepted, and everything else is refused in one sentence.

What SQLite lets a file hold is from its own documentation: sqlite.org/security.html ("Untrusted SQLite Database
Files"), sqlite.org/datatype3.html (any value in any column), sqlite.org/fileformat2.html (the header). The limits of
names, symlinks and owners are the kernel's (path_resolution(7), symlink(7), limits.h, chown(2)).
"""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from nightferry.errors import Failed
from nightferry.manifest import schema
from nightferry.manifest.formats import FORMATS, mark
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.overview import overview
from nightferry.manifest.records import Content, Intent
from nightferry.manifest.rehearsals import Rehearsals, Rehearsed
from nightferry.manifest.untrusted import NewerFormatError, UntrustedError, find_fault, open_untrusted
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat, pack_xattrs
from older_format import to_format_1

PAIR_ID = "0d22b790-1066-4de8-bee9-1fc886620c5e"
FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
FILE = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
LINK = Stat(Kind.SYMLINK, 5, 20, 21, 3, 0o777, 0, 0, 1, 0)
KYRIE, GLORIA = Content(1, b"\x01" * 16), Content(2, b"\x02" * 32)
STAMP = "000001-2026-05-03T023007Z"
SENTENCE = re.compile(r"The manifest .* cannot be used: [^\n]+; [^\n]+\.")


def night(manifest: Manifest, run: int, *intents: Intent) -> None:
    manifest.journal.write(intents, run)
    manifest.journal.settle(intents, run)


@pytest.fixture
def sealed(sealed_once: Path, tmp_path: Path) -> Path:
    """A copy of it for each test."""
    return Path(shutil.copyfile(sealed_once, tmp_path / "manifest.sqlite3"))


@pytest.fixture(scope="module")
def sealed_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A manifest with a row of every kind, sealed: folders in folders, a link, versions moved, replaced and removed."""
    tmp_path = tmp_path_factory.mktemp("sealed")
    made = Manifest.create(tmp_path / "working.sqlite3", Effects(), pair_id=PAIR_ID, pair_name="recordings")
    with made.database.transaction():
        made.entries.insert(0, b"", FOLDER, Content(), None, 1)
    xattrs = made.entries.xattrs_row(((b"user.choir", b"alto"),))
    made.runs.start(1, STAMP, 1_777_777_777.5)
    night(
        made, 1,
        Intent("folder", b"concert", stat=FOLDER, xattrs=xattrs),
        Intent("folder", b"concert/day 1", stat=FOLDER),
        Intent("place", b"concert/day 1/kyrie.wav", staged=b"s", stat=FILE, content=KYRIE, xattrs=xattrs),
        Intent("place", b"gone.wav", staged=b"s", stat=FILE._replace(mtime_ns=10**20), content=GLORIA),
        Intent("place", b"opening", staged=b"s", stat=LINK, content=Content(target=b"concert/day 1/kyrie.wav")),
    )  # fmt: skip
    made.runs.end(1, 1_777_777_800.0, "complete", '{"state": "sound", "tally": {"added": 3}, "notes": ["one"]}')
    made.runs.start(2, "000002-2026-05-04T023007Z", 1_777_864_177.5)
    folder, kyrie, gone = (made.entries.find(path) for path in (b"concert", b"concert/day 1/kyrie.wav", b"gone.wav"))
    assert folder is not None
    assert kyrie is not None
    assert gone is not None
    night(
        made, 2,
        Intent("move", b"mass", folder.id, source=b"concert", stat=FOLDER),
        Intent("place", b"mass/day 1/kyrie.wav", kyrie.id, staged=b"s", stat=FILE, content=GLORIA, reason="changed",
               held=b"000002-2026-05-04T023007Z/mass/day 1/kyrie.wav"),
        Intent("retire", b"gone.wav", gone.id, held=b"000002-2026-05-04T023007Z/gone.wav", reason="removed"),
        Intent("unlisted", b"mass/stray", held=b"000002-2026-05-04T023007Z/mass/stray", reason="unlisted"),
    )  # fmt: skip
    made.runs.leave_out(2, [("unreadable", b"mass/bad.wav", "input/output error")])  # type: ignore[list-item]
    made.runs.find_damage(b"mass/day 1/kyrie.wav", "secondary", "decayed", "verify", 2, 1_777_864_200.0, "one byte")
    made.runs.hold(2, 30, 2, "too many")
    made.runs.end(2, 1_777_864_300.0, "held", "{}")
    Rehearsals(made.database).enter(Rehearsed("r", 2, 1_777_864_250.0, 1_777_864_260.0, "passed", False, "{}"))
    made.set_generation(2)
    path = tmp_path / "manifest.sqlite3"
    made.copy_to(path)
    made.close()
    return path


def refusal(path: Path, **given: object) -> str:
    """The one sentence with which it is refused."""
    with pytest.raises(UntrustedError) as refused, open_untrusted(str(path), Effects(), shown=str(path), **given):
        pass
    said = str(refused.value)
    assert SENTENCE.fullmatch(said), said
    assert str(path) in said
    return said


def alter(path: Path, *statements: str) -> None:
    """As somebody with the drive in hands would; ``writable_schema`` lets SQLite take any definition."""
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def test_what_nights_wrote_is_accepted_and_read(sealed: Path) -> None:
    before = sealed.read_bytes(), os.stat(sealed).st_mtime_ns, sorted(os.listdir(sealed.parent))
    with open_untrusted(str(sealed), Effects(), shown="x", pair_id=PAIR_ID) as manifest:
        paths = [path for path, _ in manifest.entries.below(1, b"")]
        assert paths == [b"", b"mass", b"mass/day 1", b"mass/day 1/kyrie.wav", b"opening"]
        said = overview(manifest)
        with pytest.raises(sqlite3.Error):
            manifest.database.connection.execute("DELETE FROM entry")
        with pytest.raises(sqlite3.Error):
            manifest.database.connection.execute("ATTACH ':memory:' AS other")
    assert said == (2, 2, 10, 3, 2, "held", 1_777_864_300.0, 1, True)
    assert (sealed.read_bytes(), os.stat(sealed).st_mtime_ns, sorted(os.listdir(sealed.parent))) == before


def test_a_name_of_its_place_with_signs_of_an_address(sealed: Path) -> None:
    place = sealed.with_name("sealed with ? and # and %41.sqlite3")
    sealed.rename(place)
    assert find_fault(str(place), Effects(), pair_id=PAIR_ID) is None


def test_one_of_before_the_later_indexes_is_accepted(sealed: Path) -> None:
    to_format_1(sealed, without=FORMATS[1].optional)
    alter(sealed, "DROP TABLE rehearsal")
    assert find_fault(str(sealed), Effects(), pair_id=PAIR_ID) is None


def test_comments_and_spaces_of_its_definitions_do_not_matter(sealed: Path) -> None:
    alter(
        sealed,
        "PRAGMA writable_schema = ON",
        "UPDATE sqlite_schema SET sql = replace(replace(sql, '-- of a symlink', '/* target */'), '  ', char(9))"
        " WHERE name = 'entry'",
    )
    assert find_fault(str(sealed), Effects(), pair_id=PAIR_ID) is None


def test_rule_H_a_name_as_exfat_allows_it_is_accepted(sealed: Path) -> None:
    """255 characters of three bytes each, seen on a real exFAT drive."""
    connection = sqlite3.connect(sealed)
    connection.execute("UPDATE entry SET name = ? WHERE id = 4", (("語" * 255).encode(),))
    connection.commit()
    connection.close()
    assert find_fault(str(sealed), Effects(), pair_id=PAIR_ID) is None


def test_one_without_a_night_is_accepted(tmp_path: Path) -> None:
    made = Manifest.create(tmp_path / "working.sqlite3", Effects(), pair_id=PAIR_ID, pair_name="recordings")
    made.copy_to(tmp_path / "sealed.sqlite3")
    made.close()
    assert find_fault(str(tmp_path / "sealed.sqlite3"), Effects(), pair_id=PAIR_ID) is None


# --- rows that no night writes

LONG = "zeroblob(5000)"
ROWS: dict[str, tuple[str, str]] = {
    # names
    "parent folder": ("UPDATE entry SET name = X'2E2E' WHERE id = 4", "leads to another folder"),
    "same folder": ("UPDATE entry SET name = X'2E' WHERE id = 4", "leads to another folder"),
    "path upwards": ("UPDATE entry SET name = CAST('../../etc/cron.d/x' AS BLOB) WHERE id = 4", "a slash"),
    "absolute": ("UPDATE entry SET name = CAST('/etc/passwd' AS BLOB) WHERE id = 4", "a slash"),
    "NUL in a name": ("UPDATE entry SET name = X'610062' WHERE id = 4", "a NUL"),
    "no name": ("UPDATE entry SET name = X'' WHERE id = 4", "no name"),
    "long name": ("UPDATE entry SET name = zeroblob(4096) WHERE id = 4", "longer than 4095 bytes"),
    "name of text": ("UPDATE entry SET name = 'kyrie' WHERE id = 4", "not made of bytes"),
    "name of a number": ("UPDATE entry SET name = 5 WHERE id = 4", "not made of bytes"),
    "past name upwards": ("UPDATE past SET name = X'2E2E2F61' WHERE reason = 'changed'", "a slash"),
    # the tree
    "no such folder": ("UPDATE entry SET parent = 999 WHERE id = 4", "no folder, or is not there"),
    "file as folder": ("UPDATE entry SET parent = 4 WHERE id = 6", "no folder, or is not there"),
    "link as folder": ("UPDATE entry SET parent = 6 WHERE id = 4", "no folder, or is not there"),
    "circle": ("UPDATE entry SET parent = 3 WHERE id = 2", "in a circle"),
    "within itself": ("UPDATE entry SET parent = 3 WHERE id = 3", "in a circle"),
    "root that is a file": ("UPDATE entry SET kind = 2 WHERE id = 1", "is the root and no folder"),
    "root with a name": ("UPDATE entry SET name = X'61' WHERE id = 1", "is the root and has one"),
    "second root": ("UPDATE entry SET parent = 0 WHERE id = 4", "beside the root"),
    "no root": ("DELETE FROM entry WHERE id = 1", "no folder, or is not there"),
    "past of no folder": ("UPDATE past SET parent = 999 WHERE reason = 'changed'", "never was"),
    "past in a file": ("UPDATE past SET parent = 4 WHERE reason = 'removed'", "no folder"),
    "past circle": ("UPDATE past SET parent = 3 WHERE kind = 1", "within itself"),
    # kinds and sizes
    "fourth kind": ("UPDATE entry SET kind = 4 WHERE id = 4", "neither a folder nor a file"),
    "kind of text": ("UPDATE entry SET kind = 'file' WHERE id = 4", "neither a folder nor a file"),
    "negative size": ("UPDATE entry SET size_bytes = -1 WHERE id = 4", "its size"),
    "size beyond 64 bits": ("UPDATE entry SET size_bytes = 1e19 WHERE id = 4", "its size"),
    "size of bytes": ("UPDATE entry SET size_bytes = X'05' WHERE id = 4", "its size"),
    "time of bytes": ("UPDATE entry SET mtime_ns = X'31' WHERE id = 4", "mtime_ns is no time"),
    "time in words": ("UPDATE entry SET ctime_ns = 'yesterday' WHERE id = 4", "ctime_ns is no time"),
    "time with two signs": ("UPDATE entry SET mtime_ns = '--5' WHERE id = 4", "mtime_ns is no time"),
    "time of a sign": ("UPDATE entry SET mtime_ns = '-' WHERE id = 4", "mtime_ns is no time"),
    "time without end": ("UPDATE entry SET mtime_ns = printf('%.*c', 6000, '9') WHERE id = 4", "mtime_ns is no time"),
    "time of a fraction": ("UPDATE entry SET mtime_ns = 1.5 WHERE id = 4", "mtime_ns is no time"),
    "time with a NUL": ("UPDATE entry SET mtime_ns = CAST(X'310032' AS TEXT) WHERE id = 4", "mtime_ns is no time"),
    "infinite time": ("UPDATE entry SET mtime_ns = 9e999 WHERE id = 4", "mtime_ns is no time"),
    "mode of thirteen bits": ("UPDATE entry SET mode = 4096 WHERE id = 4", "mode"),
    "negative mode": ("UPDATE past SET mode = -1", "mode"),
    "owner beyond 32 bits": ("UPDATE entry SET uid = 4294967296 WHERE id = 4", "uid"),
    "negative owner": ("UPDATE entry SET uid = -1 WHERE id = 4", "uid"),
    "group of text": ("UPDATE entry SET gid = 'choir' WHERE id = 4", "gid"),
    "negative links": ("UPDATE entry SET nlink = -1 WHERE id = 4", "nlink"),
    "inode of text": ("UPDATE entry SET inode = 'five' WHERE id = 4", "inode"),
    # content
    "short checksum": ("UPDATE entry SET digest = X'00' WHERE id = 4", "length of its algorithm"),
    "checksum of text": ("UPDATE entry SET digest = '0123456789abcdef' WHERE id = 4", "length of its algorithm"),
    "other algorithm": ("UPDATE entry SET algorithm = 3 WHERE id = 4", "length of its algorithm"),
    "unknown algorithm": ("UPDATE entry SET algorithm = 99 WHERE id = 4", "does not know"),
    "no algorithm": ("UPDATE entry SET algorithm = NULL WHERE id = 4", "without its algorithm"),
    "folder with a checksum": ("UPDATE entry SET algorithm = 1, digest = zeroblob(16) WHERE id = 2", "is no file"),
    "link without a target": ("UPDATE entry SET target = NULL WHERE id = 6", "without a target"),
    "file with a target": ("UPDATE entry SET target = X'61' WHERE id = 4", "has one and is none"),
    "long target": (f"UPDATE entry SET target = {LONG} WHERE id = 6", "none that a symlink can have"),
    "empty target": ("UPDATE entry SET target = X'' WHERE id = 6", "none that a symlink can have"),
    "NUL in a target": ("UPDATE entry SET target = X'610062' WHERE id = 6", "none that a symlink can have"),
    "target of text": ("UPDATE entry SET target = 'kyrie' WHERE id = 6", "none that a symlink can have"),
    "no such attributes": ("UPDATE entry SET xattrs = 77 WHERE id = 4", "attributes are not there"),
    "attributes of nothing": ("UPDATE xattrs SET packed = X'00'", "ends in the middle"),
    "endless attributes": ("UPDATE xattrs SET packed = X'0100FFFFFFFF61'", "longer than the kernel allows"),
    "attributes of text": ("UPDATE xattrs SET packed = 'alto'", "no list of attributes"),
    "dirty twice": ("UPDATE entry SET dirty = 2 WHERE id = 2", "dirty"),
    "large listing": (f"UPDATE entry SET listing = {LONG} WHERE id = 2", "listing"),
    "read in no year": ("UPDATE entry SET read_primary_s = 99999999999999 WHERE id = 4", "no moment of a calendar"),
    # runs
    "born in no run": ("UPDATE entry SET born = -1 WHERE id = 4", "born is no run"),
    "since words": ("UPDATE entry SET since = 'May' WHERE id = 4", "since is no run"),
    "ended before it began": ("UPDATE past SET since = 9, until = 2", "ended before it began"),
    "until no run": ("UPDATE past SET until = 1e30", "until is no run"),
    "run 0": ("UPDATE run SET number = 0 WHERE number = 1", "none that a run can have"),
    "run in no year": ("UPDATE run SET ended_s = 1e300", "no moment of a calendar"),
    "run without end": ("UPDATE run SET started_s = 9e999", "no moment of a calendar"),
    "sixth outcome": ("UPDATE run SET outcome = 'splendid'", "outcome"),
    "stamp upwards": ("UPDATE run SET stamp = '../..'", "stamp"),
    "stamp of bytes": ("UPDATE run SET stamp = X'61'", "stamp"),
    "summary of nothing": ("UPDATE run SET summary = ''", "no JSON"),
    "summary of a list": ("UPDATE run SET summary = '[]'", "none of a night"),
    "nested summary": ("UPDATE run SET summary = printf('%.*c', 200000, '[')", "no JSON"),
    "summary of notes": ('UPDATE run SET summary = \'{"notes": "one"}\'', "none of a night"),
    "summary of no counts": ('UPDATE run SET summary = \'{"tally": {"added": "many"}}\'', "none of a night"),
    "summary of infinity": ('UPDATE run SET summary = \'{"tally": {"added": 1e999}}\'', "none of a night"),
    "summary of a cycle": ('UPDATE run SET summary = \'{"verify_cycle_s": "30d"}\'', "none of a night"),
    "summary of a rehearsal": ("UPDATE run SET summary = '{\"rehearsal\": [1]}'", "none of a night"),
    "summary of no number": ('UPDATE run SET summary = \'{"phase_s": {"copy": NaN}}\'', "no JSON"),
    "summary of digits": ("UPDATE run SET summary = '{\"a\": ' || printf('%.*c', 9000, '9') || '}'", "no JSON"),
    # where retired versions stand
    "held upwards": ("UPDATE past SET held = CAST('../copy/x' AS BLOB)", "leads out of retired/"),
    "held absolute": ("UPDATE past SET held = CAST('/etc/shadow' AS BLOB)", "leads out of retired/"),
    "held within upwards": ("UPDATE past SET held = CAST('a/../../x' AS BLOB)", "leads out of retired/"),
    "held ends upwards": ("UPDATE past SET held = CAST('a/..' AS BLOB)", "leads out of retired/"),
    "held here": ("UPDATE past SET held = CAST('./a' AS BLOB)", "leads out of retired/"),
    "held with a gap": ("UPDATE past SET held = CAST('a//b' AS BLOB)", "leads out of retired/"),
    "held a folder": ("UPDATE past SET held = CAST('a/' AS BLOB)", "leads out of retired/"),
    "held with a NUL": ("UPDATE past SET held = X'612F0062'", "leads out of retired/"),
    "held nowhere": ("UPDATE past SET held = X''", "no path"),
    "held in words": ("UPDATE past SET held = 'somewhere'", "no path"),
    "reason of bytes": ("UPDATE past SET reason = X'61'", "reason"),
    "long reason": (f"UPDATE past SET reason = hex({LONG})", "reason"),
    # the rest
    "left out upwards": ("UPDATE left_out SET path = CAST('../x' AS BLOB)", "leads out of the drive"),
    "left out in words": ("UPDATE left_out SET path = 'x'", "no path"),
    "left out of bytes": ("UPDATE left_out SET detail = X'61'", "detail"),
    "damage upwards": ("UPDATE damage SET path = CAST('a/../..' AS BLOB)", "leads out of the drive"),
    "damage absolute": ("UPDATE damage SET path = CAST('/x' AS BLOB)", "leads out of the drive"),
    "damage of no time": ("UPDATE damage SET found_s = 'now'", "no moment"),
    "damage without end": ("UPDATE damage SET detail = hex(zeroblob(600000))", "detail"),
    "hold of words": ("UPDATE hold SET removals = 'all'", "removals"),
    "hold of bytes": ("UPDATE hold SET reasons = X'61'", "reasons"),
    "rehearsal of no summary": ("UPDATE rehearsal SET summary = '{'", "no JSON"),
    "rehearsal of words": ("UPDATE rehearsal SET run = 'last'", "after no run"),
    "last number": ("UPDATE sqlite_sequence SET seq = 9223372036854775807", "last number used"),
    "number at the end": ("UPDATE entry SET id = 9223372036854775807 WHERE id = 4", "out of range"),
    "negative number": ("UPDATE entry SET id = -5 WHERE id = 4", "out of range"),
    "damage of no row": ("UPDATE damage SET entry = -1", "entry is no row"),
    "damage of no version": ("UPDATE damage SET past = 'x'", "past is no row"),
    "damage of no inode": ("UPDATE damage SET inode = 1.5", "inode is no number"),
    "damage of no size": ("UPDATE damage SET size_bytes = -1", "its size"),
    "damage of no date": ("UPDATE damage SET mtime_ns = '1e9'", "mtime_ns is no time"),
    "damage with half a checksum": ("UPDATE damage SET algorithm = 1, digest = X'00'", "length of its algorithm"),
    "damage with a bad checksum of none": ("UPDATE damage SET bad_digest = zeroblob(16)", "length of its algorithm"),
    "damage of another algorithm": ("UPDATE damage SET algorithm = 99", "does not know"),
    "text that is none": ("UPDATE damage SET detail = CAST(X'FFFE' AS TEXT)", "does not hold together"),
    "reason that is none": ("UPDATE past SET reason = CAST(X'FF' AS TEXT)", "does not hold together"),
    "no generation": ("DELETE FROM meta WHERE key = 'generation'", "generation"),
    "negative generation": ("UPDATE meta SET value = '-1' WHERE key = 'generation'", "generation"),
    "endless generation": ("UPDATE meta SET value = printf('%.*c', 5000, '9') WHERE key = 'generation'", "generation"),
    "meta of bytes": ("UPDATE meta SET value = X'31' WHERE key = 'generation'", "no short text"),
    "no pair": ("DELETE FROM meta WHERE key = 'pair_id'", "which pair"),
    "another pair": ("UPDATE meta SET value = 'other' WHERE key = 'pair_id'", "that of another pair"),
    "no format": ("DELETE FROM meta WHERE key = 'schema'", "which format"),
    "format in words": ("UPDATE meta SET value = 'two' WHERE key = 'schema'", "which format"),
    "format 0": ("UPDATE meta SET value = '0' WHERE key = 'schema'", "never was one"),
}


@pytest.mark.parametrize("case", ROWS)
def test_rule_I_a_row_that_no_night_writes_is_refused(sealed: Path, case: str) -> None:
    statement, expected = ROWS[case]
    alter(sealed, statement)
    assert expected in refusal(sealed, pair_id=PAIR_ID)


def test_rule_I_a_newer_format_is_refused_and_says_so(sealed: Path) -> None:
    alter(
        sealed,
        "UPDATE meta SET value = '3' WHERE key = 'schema'",
        "ALTER TABLE entry ADD COLUMN mood TEXT",
        "UPDATE entry SET kind = 9",
    )
    said = r"a newer nightferry wrote it \(format 3, this one reads up to 2\); install"
    with (
        pytest.raises(NewerFormatError, match=said),
        open_untrusted(str(sealed), Effects(), shown="x", pair_id=PAIR_ID),
    ):
        pass


# --- definitions that we do not make

OBJECTS: dict[str, tuple[tuple[str, ...], str]] = {
    "table": (("CREATE TABLE more (a)",), "table more, which no manifest has"),
    "index": (("CREATE INDEX more ON entry (name)",), "index more, which no manifest has"),
    "view": (("CREATE VIEW more AS SELECT 1",), "view more, which no manifest has"),
    "trigger": (
        ("CREATE TRIGGER more AFTER INSERT ON run BEGIN DELETE FROM entry; END",),
        "trigger more, which no manifest has",
    ),
    "virtual table": (("CREATE VIRTUAL TABLE more USING fts5(a)",), "which no manifest has"),
    "statistics": (("ANALYZE",), "which no manifest has"),
    "view in place of a table": (
        ("ALTER TABLE entry RENAME TO hidden", "CREATE VIEW entry AS SELECT * FROM hidden"),
        "which no manifest has",
    ),
    "endless view in place of meta": (
        (
            "DROP TABLE meta",
            "CREATE VIEW meta AS WITH RECURSIVE t (key, value) AS"
            " (SELECT 'a', 'b' UNION ALL SELECT key, value FROM t) SELECT * FROM t",
        ),
        "it is not a manifest",
    ),
    "no table": (("DROP TABLE hold",), "lacks the table hold"),
    "no index": (("DROP INDEX entry_path",), "lacks the index entry_path"),
    "column": (("ALTER TABLE entry ADD COLUMN mood TEXT",), "table entry is not made as ours is"),
    "default": (
        (
            "PRAGMA writable_schema = ON",
            "UPDATE sqlite_schema SET sql = replace(sql, '{}', '[]') WHERE name = 'run'",
        ),
        "table run is not made as ours is",
    ),
    "check": (
        (
            "PRAGMA writable_schema = ON",
            "UPDATE sqlite_schema SET sql = replace(sql, 'xattrs INTEGER,', 'xattrs INTEGER CHECK (xattrs > 0),')"
            " WHERE name = 'entry'",
        ),
        "table entry is not made as ours is",
    ),
    "index over an expression": (
        ("DROP INDEX entry_inode", "CREATE INDEX entry_inode ON entry (abs(inode))"),
        "index entry_inode is not made as ours is",
    ),
    "quoted comment": (
        (
            "PRAGMA writable_schema = ON",
            "UPDATE sqlite_schema SET sql = replace(sql, 'target BLOB,', 'target BLOB, \"--\" BLOB,')"
            " WHERE name = 'entry'",
        ),
        "table entry is not made as ours is",
    ),
    "two hundred tables": (tuple(f"CREATE TABLE more_{number} (a)" for number in range(200)), "more than 100"),
    "one definition twice": (
        (
            "PRAGMA writable_schema = ON",
            "INSERT INTO sqlite_schema SELECT * FROM sqlite_schema WHERE name = 'hold'",
        ),
        "",
    ),
    "table on the pages of another": (
        (
            "PRAGMA writable_schema = ON",
            "UPDATE sqlite_schema SET rootpage = (SELECT rootpage FROM sqlite_schema WHERE name = 'run')"
            " WHERE name = 'damage'",
        ),
        "does not hold together",
    ),
}


@pytest.mark.parametrize("case", OBJECTS)
def test_rule_I_definitions_that_are_not_ours_are_refused(sealed: Path, case: str) -> None:
    statements, expected = OBJECTS[case]
    alter(sealed, *statements)
    assert expected in refusal(sealed, pair_id=PAIR_ID)


def test_rule_I_text_in_another_encoding_is_refused(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "sealed.sqlite3")
    connection.execute("PRAGMA encoding = 'UTF-16le'")
    connection.executescript(schema.TABLES)
    rows = [("schema", str(schema.VERSION)), ("pair_id", PAIR_ID), ("generation", "1")]
    connection.executemany("INSERT INTO meta VALUES (?, ?)", rows)
    mark(connection, schema.VERSION)
    connection.commit()
    connection.close()
    assert "UTF-16le" in refusal(tmp_path / "sealed.sqlite3", pair_id=PAIR_ID)


# --- files that are no database, or not all of one


def _cut(path: Path, size_bytes: int) -> None:
    os.truncate(path, size_bytes)


def _over(path: Path, offset: int, content: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(content)


FILES: dict[str, Callable[[Path], None]] = {
    "empty": lambda path: _cut(path, 0),
    "header alone": lambda path: _cut(path, 100),
    "first page alone": lambda path: _cut(path, 4096),
    "half": lambda path: _cut(path, os.stat(path).st_size // 2),
    "a page short": lambda path: _cut(path, os.stat(path).st_size - 4096),
    "some bytes short": lambda path: _cut(path, os.stat(path).st_size - 5),
    "text": lambda path: path.write_text("not a database, " * 500) and None,  # type: ignore[func-returns-value]
    "zeros": lambda path: path.write_bytes(bytes(os.stat(path).st_size)) and None,  # type: ignore[func-returns-value]
    "a page of zeros": lambda path: _over(path, 4096, bytes(4096)),
    "a page of ones": lambda path: _over(path, 8192, b"\xff" * 4096),
    "absurd page size": lambda path: _over(path, 16, b"\x00\x03"),
    "absurd page count": lambda path: _over(path, 28, b"\xff\xff\xff\xff"),
    "absurd free list": lambda path: _over(path, 32, b"\x00\x00\x00\x03\x7f\xff\xff\xff"),
    "absurd schema format": lambda path: _over(path, 44, b"\x00\x00\x00\x63"),
}


@pytest.mark.parametrize("case", FILES)
def test_rule_I_a_file_that_is_not_whole_is_refused(sealed: Path, case: str) -> None:
    FILES[case](sealed)
    refusal(sealed, pair_id=PAIR_ID)


def test_rule_I_what_is_not_there_is_refused(tmp_path: Path) -> None:
    assert "does not give it" in refusal(tmp_path / "none.sqlite3")
    (tmp_path / "folder.sqlite3").mkdir()
    refusal(tmp_path / "folder.sqlite3")


def test_rule_I_another_file_in_its_place_is_refused(sealed: Path) -> None:
    """SQLite follows a symlink, so whoever opens a manifest says which file it has to be."""
    expected = os.stat(sealed)
    away = sealed.with_name("elsewhere.sqlite3")
    away.write_bytes(sealed.read_bytes())
    with open_untrusted(str(sealed), Effects(), shown="x", expected=expected):
        pass
    sealed.unlink()
    sealed.symlink_to(away)
    assert "another file" in refusal(sealed, expected=expected)


def test_rule_I_logs_beside_it_are_not_read(sealed: Path) -> None:
    """What lies beside a database can change what is in it: sqlite.org/wal.html, sqlite.org/lockingv3.html."""
    busy = sqlite3.connect(sealed.with_name("busy.sqlite3"))
    busy.execute("PRAGMA journal_mode = WAL")
    busy.execute("PRAGMA page_size = 4096")
    busy.execute("CREATE TABLE other (a)")
    busy.commit()
    log = sealed.with_name("busy.sqlite3-wal").read_bytes()
    assert log
    sealed.with_name("manifest.sqlite3-wal").write_bytes(log)
    sealed.with_name("manifest.sqlite3-journal").write_bytes(os.urandom(5000))
    busy.close()
    before = sorted(os.listdir(sealed.parent))
    assert find_fault(str(sealed), Effects(), pair_id=PAIR_ID) is None
    assert sorted(os.listdir(sealed.parent)) == before
    assert sealed.with_name("manifest.sqlite3-wal").read_bytes() == log


def test_rule_I_a_file_that_says_it_has_a_log_leaves_no_trace(sealed: Path) -> None:
    _over(sealed, 18, b"\x02\x02")  # sqlite.org/fileformat2.html: 2 for a write-ahead log
    before = sorted(os.listdir(sealed.parent))
    with open_untrusted(str(sealed), Effects(), shown="x", pair_id=PAIR_ID) as manifest:
        assert manifest.generation == 2
    assert sorted(os.listdir(sealed.parent)) == before


def test_rule_I_deep_folders_are_refused_before_they_fill_the_memory(sealed: Path) -> None:
    connection = sqlite3.connect(sealed)
    name = b"d" * 255
    rows = [(1000 + depth, 2 if depth == 0 else 999 + depth, name) for depth in range(6000)]
    connection.executemany(
        "INSERT INTO entry (id, parent, name, kind, size_bytes, mtime_ns, ctime_ns, inode, mode, uid, gid, nlink, born,"
        " since) VALUES (?, ?, ?, 1, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1)",
        rows,
    )
    connection.commit()
    connection.close()
    assert "nested" in refusal(sealed, pair_id=PAIR_ID)


def test_what_stops_being_readable_later_is_said_in_one_sentence(sealed: Path) -> None:
    with pytest.raises(Failed, match=SENTENCE), open_untrusted(str(sealed), Effects(), shown="x") as manifest:
        manifest.database.connection.execute("PRAGMA cache_size = 0")
        _cut(sealed, 4096)
        manifest.database.connection.execute("PRAGMA shrink_memory")
        list(manifest.database.connection.execute("SELECT * FROM entry, past, run"))


def test_attributes_with_a_nul_in_their_name_are_refused(sealed: Path) -> None:
    connection = sqlite3.connect(sealed)
    connection.execute("UPDATE xattrs SET packed = ?", (pack_xattrs(((b"user.\0choir", b"alto"),)),))
    connection.commit()
    connection.close()
    assert "a NUL in its name" in refusal(sealed, pair_id=PAIR_ID)
