"""A manifest of an older format, brought to the present one: what it says stays, wherever it is cut off: rules E, O."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import stat
import sys
import tarfile
from collections.abc import Callable
from pathlib import Path

import pytest
from thawed import FORMATS, HERE, KINDS

from attempts import Sweep
from effects_faults import KILLED, in_child
from nightferry.errors import Failed
from nightferry.manifest import schema
from nightferry.manifest.formats import FORMATS as KNOWN
from nightferry.manifest.formats import marks
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.untrusted import find_fault, open_untrusted
from nightferry.tree.effects import Effects

OLD = [number for number in FORMATS if number < schema.VERSION]
Dump = dict[str, list[tuple[object, ...]]]


@pytest.fixture(params=[(number, kind) for number in OLD for kind in KINDS], ids=lambda of: f"{of[0]} on {of[1]}")
def older(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The working manifest of a frozen pair."""
    number, kind = request.param
    with tarfile.open(HERE / f"format_{number}" / kind / "state.tar.xz") as archive:
        archive.extractall(tmp_path, filter="data")
    return tmp_path / "state" / "recordings" / FILE_NAME


def dump(path: Path) -> Dump:
    """All rows of all tables, and the definitions, by SQLite alone."""
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    try:
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        found = {table: connection.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall() for table in tables}
        found["schema"] = connection.execute("SELECT type, name, sql FROM sqlite_schema ORDER BY 2").fetchall()
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return found
    finally:
        connection.close()


def opened(path: Path) -> None:
    Manifest.open(path, Effects()).close()


def kept(path: Path) -> list[str]:
    return sorted(each.name for each in path.parent.glob("manifest.format-*"))


def test_O_only_what_the_format_changes_is_changed(older: Path, tmp_path: Path) -> None:
    before = dump(older)
    opened(older)
    after = dump(older)
    unlike = {table for table in before if before[table] != after[table]}
    assert unlike == {"damage", "meta", "schema"}
    assert [row for row in before["meta"] if row not in after["meta"]] == [("schema", "1")]
    assert [row[:10] for row in after["damage"]] == before["damage"]
    Manifest.create(tmp_path / "fresh", Effects(), pair_id="p", pair_name="p").close()
    made = {row[1]: row for row in dump(tmp_path / "fresh")["schema"]}
    assert {row[1]: row for row in after["schema"] if row[1] != "rehearsal"} == made, "word by word"
    connection = sqlite3.connect(older)
    assert marks(connection) == KNOWN[schema.VERSION].marks == (0x4E467279, schema.VERSION)
    connection.close()
    assert kept(older) == ["manifest.format-1.sqlite3"]
    aside = older.with_name("manifest.format-1.sqlite3")
    assert (dump(aside), stat.S_IMODE(aside.stat().st_mode)) == (before, 0o600), "it says every name"
    opened(older)
    assert dump(older) == after


def test_C_open_damage_of_a_name_becomes_that_of_its_content(older: Path) -> None:
    opened(older)
    connection = sqlite3.connect(older)
    rows = connection.execute(
        "SELECT side, entry, past, inode, size_bytes, mtime_ns, algorithm, digest, bad_digest FROM damage ORDER BY id"
    ).fetchall()
    kyrie = connection.execute(
        "SELECT id, NULL, inode, size_bytes, mtime_ns, algorithm, digest, NULL FROM entry"
        " WHERE CAST(name AS TEXT) = '01 kyrie.wav'"
    ).fetchone()
    carol = connection.execute(
        "SELECT NULL, id, NULL, NULL, NULL, algorithm, digest, NULL FROM past"
        " WHERE CAST(held AS TEXT) LIKE '%/00 carol.wav'"
    ).fetchone()
    connection.close()
    assert sorted(rows) == [("primary", *kyrie), ("retired", *carol)]


def test_C_damage_that_is_over_is_said_to_be_of_no_row(older: Path) -> None:
    connection = sqlite3.connect(older)
    connection.execute("UPDATE damage SET closed_run = 9, became = 'mended'")
    connection.execute(
        "UPDATE damage SET path = CAST('no such name' AS BLOB), closed_run = NULL WHERE side = 'retired'"
    )
    connection.commit()
    connection.close()
    opened(older)
    assert [row[10:] for row in dump(older)["damage"]] == [(None,) * 8] * 2


def test_O_one_that_is_only_read_answers_as_the_present_format_does(older: Path, tmp_path: Path) -> None:
    """In the state as on a drive; and nothing is written to it."""
    sealed = tmp_path / "sealed.sqlite3"
    shutil.copyfile(older, sealed)
    before = sealed.read_bytes()
    shutil.copytree(older.parent, tmp_path / "migrated")
    opened(tmp_path / "migrated" / FILE_NAME)
    wanted = dump(tmp_path / "migrated" / FILE_NAME)["damage"]

    def answer(manifest: Manifest) -> list[tuple[object, ...]]:
        return manifest.database.connection.execute("SELECT * FROM damage ORDER BY id").fetchall()

    with Manifest.look(older, Effects(), in_use=False) as manifest:
        assert answer(manifest) == wanted
    read = Manifest.open(older, Effects(), writable=False)
    assert answer(read) == wanted
    read.close()
    with open_untrusted(str(sealed), Effects(), shown="sealed") as manifest:
        assert answer(manifest) == wanted
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            manifest.database.connection.execute("DELETE FROM temp.damage")
    assert (older.read_bytes(), sealed.read_bytes(), kept(older)) == (before, before, [])


def test_I_definitions_are_those_of_the_format_that_it_says(older: Path, tmp_path: Path) -> None:
    def altered(name: str, *statements: str, path: Path = older) -> str | None:
        made = Path(shutil.copyfile(path, tmp_path / name))
        connection = sqlite3.connect(made)
        for each in statements:
            connection.execute(each)
        connection.commit()
        connection.close()
        return find_fault(str(made), Effects())

    unlike = "its table damage is not made as ours is"
    assert altered("as it was") is None
    assert altered("a column of format 2", "ALTER TABLE damage ADD COLUMN entry INTEGER") == unlike
    assert altered("the mark of format 2", "PRAGMA user_version = 2") == "it says two things of its format"
    as_2 = ("PRAGMA user_version = 2", f"PRAGMA application_id = {schema.APPLICATION_ID}")
    assert altered("called 2", "UPDATE meta SET value = '2' WHERE key = 'schema'", *as_2) == unlike
    assert "side is no text" in (altered("a row", "UPDATE damage SET side = X'00'") or "")
    present = tmp_path / "migrated" / FILE_NAME
    shutil.copytree(older.parent, present.parent)
    opened(present)
    assert altered("present", path=present) is None
    as_1 = ("PRAGMA user_version = 0", "PRAGMA application_id = 0")
    assert altered("called 1", "UPDATE meta SET value = '1' WHERE key = 'schema'", *as_1, path=present) is not None
    assert altered("an index less", "DROP INDEX past_name", path=present) == "it lacks the index past_name"


def test_a_damaged_one_is_left_as_it_is(older: Path) -> None:
    with older.open("r+b") as file:
        file.seek(3 * 4096)
        file.write(b"\xff" * 4096)
    before = older.read_bytes()
    with pytest.raises(Failed, match=r"cannot be read \(.*\): see whether its disk is sound, then run a night"):
        opened(older)
    assert (older.read_bytes(), kept(older)) == (before, [])


# --- cut off


class Steps:
    """Counts all that changing a format does, in a process of its own: names in the state's folder (PEP 578), SQL
    statements, parts of statements, and commits. The ``n``-th ends the process, or is the first to find the disk full.
    """

    def __init__(self, top: Path, n: int = 0, *, full: bool = False) -> None:
        self.count, self._n, self._full = 0, n, full
        self._top = os.fsencode(top)
        connect = sqlite3.connect

        def watched(*args: object, **kwargs: object) -> sqlite3.Connection:
            connection: sqlite3.Connection = connect(*args, **kwargs)  # type: ignore[call-overload]
            if not full:
                connection.set_trace_callback(lambda _: self.step())
                connection.set_progress_handler(self.step, 300)
            return connection

        sqlite3.connect = watched  # type: ignore[assignment]
        sys.addaudithook(self._hear)

    def _hear(self, event: str, args: tuple[object, ...]) -> None:
        if event not in ("os.rename", "os.remove", "sqlite3.connect", "open"):
            return
        if isinstance(args[0], (str, bytes, Path)) and self._top in os.fsencode(args[0]):
            self.step()

    def step(self) -> None:
        self.count += 1
        if self.count == self._n and not self._full:
            os._exit(KILLED)
        if self._full and self.count >= self._n > 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def effects(self) -> Effects:
        effects, commit = Effects(), Effects.commit

        def watched(connection: sqlite3.Connection) -> None:
            self.step()
            commit(connection)
            self.step()

        effects.commit = watched  # type: ignore[method-assign]
        return effects


def _try(older: Path, act: Callable[[Path, Effects], None], n: int = 0, *, full: bool = False) -> int:
    """Opens for writing in a process of its own; returns how many steps that took, 0 where it was killed."""
    counted = older.parent.parent / "counted"
    counted.unlink(missing_ok=True)

    def run() -> None:
        steps = Steps(older.parent, n, full=full)
        effects = steps.effects()
        try:
            act(older, effects)
        finally:
            counted.write_text(str(steps.count))

    return int(counted.read_text()) if in_child(run) else 0


def _open(path: Path, effects: Effects) -> None:
    Manifest.open(path, effects).close()


def _open_refused(path: Path, effects: Effects) -> None:
    with pytest.raises(Failed, match=r"make room|see whether|cannot be"):
        Manifest.open(path, effects)


def test_E_cut_off_at_any_step_it_loses_nothing(older: Path, tmp_path: Path) -> None:
    saved = tmp_path / "saved"
    shutil.copytree(older.parent, saved)
    before = dump(older)
    total = _try(older, _open)
    wanted = dump(older)
    sweep = Sweep("kills while a manifest's format is changed")

    def cut_off(n: int) -> None:
        shutil.rmtree(older.parent)
        shutil.copytree(saved, older.parent)
        assert _try(older, _open, n) == 0, "it was not killed"
        with Manifest.look(older, Effects(), in_use=False) as manifest:
            assert (
                manifest.database.connection.execute("SELECT * FROM damage ORDER BY id").fetchall() == wanted["damage"]
            )
        opened(older)
        assert dump(older) == wanted
        assert kept(older) == ["manifest.format-1.sqlite3"]
        assert dump(older.with_name("manifest.format-1.sqlite3")) == before

    for n in range(1, total + 1):
        sweep.attempt(f"step {n} of {total}", lambda n=n: cut_off(n))  # type: ignore[misc]
    sweep.report()


def test_E_where_the_disk_is_full_it_stays_as_it_was(older: Path, tmp_path: Path) -> None:
    saved = tmp_path / "saved"
    shutil.copytree(older.parent, saved)
    before = dump(older)
    total = _try(older, _open, full=True)
    shutil.rmtree(older.parent)
    shutil.copytree(saved, older.parent)
    for n in range(2, total):  # the first step is that it is opened
        _try(older, _open_refused, n, full=True)
        assert dump(older) == before, f"step {n} of {total}"
    opened(older)
