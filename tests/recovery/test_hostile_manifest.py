"""A real sealed manifest, changed in every way that a person or a dying drive can: read as it is, or refused in one
sentence; never anything else, and nothing is written anywhere.

Longer: HYPOTHESIS_PROFILE=long python -m pytest tests/recovery/test_hostile_manifest.py
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from pathlib import Path

import pytest
from harness import Pair, contents
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st

from nightferry.errors import NightferryError
from nightferry.manifest import schema
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.overview import overview
from nightferry.manifest.untrusted import generation_of
from nightferry.recovery.alone import open_secondary
from nightferry.reporting.audit.changes import Changes, night_report
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind

TABLES = ("entry", "past", "run", "left_out", "damage", "hold", "xattrs", "meta", "intent", "sqlite_sequence")
PAGE = 4096
DIGEST_BYTES = {1: 16, 2: 32, 3: 64}  # by the algorithms' own definitions


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> tuple[Pair, bytes]:
    """A pair after three nights with moves, removals, a file that could not be read; and its sealed manifest."""
    top = tmp_path_factory.mktemp("hostile")
    pair = Pair(top / "primary", top / "secondary", top / "state")
    for number in range(40):
        pair.write(f"2026-05 spring concert/day {number % 3}/{number:02d} kyrie.wav", os.urandom(200))
    os.symlink("day 1/01 kyrie.wav", pair.at("2026-05 spring concert/opening"))
    os.setxattr(pair.at("2026-05 spring concert/day 1"), "user.choir", b"alto")
    os.mkfifo(pair.at("pipe"))
    pair.run_well()
    pair.at("2026-05 spring concert/day 1").rename(pair.at("2026-05 spring concert/dress rehearsal"))
    pair.write("2026-05 spring concert/day 0/00 kyrie.wav", "another")
    pair.at("2026-05 spring concert/day 2/02 kyrie.wav").unlink()
    pair.run_well()
    shutil.rmtree(pair.at("2026-05 spring concert/day 2"))
    pair.run_well()
    with pair.manifest(writable=True) as manifest:
        manifest.runs.find_damage(b"a", "secondary", "decayed", "verify", 3, 1_777_777_777.0, "one byte")
        manifest.runs.hold(2, 3, 4, "too many")
        manifest.copy_to(pair.records / "new")
    os.replace(pair.records / "new", pair.records / "manifest.sqlite3")
    (pair.records / "manifest.previous.sqlite3").unlink(missing_ok=True)
    return pair, (pair.records / "manifest.sqlite3").read_bytes()


@st.composite
def row_changes(draw: st.DrawFn) -> tuple[str, list[object]]:
    """(statement, values): one column of some rows gets a value, of any type."""
    table = draw(st.sampled_from(TABLES))
    columns = _COLUMNS[table]
    column = draw(st.sampled_from(columns))
    value = draw(
        st.one_of(
            st.none(), st.integers(-(1 << 63), (1 << 63) - 1), st.integers(-2, 12), st.floats(), st.binary(max_size=12),
            st.text(max_size=6).filter(lambda text: not any("\ud800" <= c <= "\udfff" for c in text)),
            st.sampled_from(
                [b"..", b"../../x", b"/etc/passwd", b".", b"", b"a/b", b"a\0b", b"x" * 4100, "..", "[]", "[" * 5000,
                 '{"tally": 1}', "9" * 5000, "1e999", b"\xff\xfe"]
            ),
        )
    )  # fmt: skip
    of_text = draw(st.booleans()) and isinstance(value, bytes)
    where = draw(st.sampled_from(["1", "rowid % 3 = 0", "rowid = 1", "rowid = 4", "rowid = 7"]))
    if table == "meta":
        where = where.replace("rowid % 3 = 0", "key = 'schema'").replace("rowid = 1", "key = 'pair_id'")
        where = where.replace("rowid = 4", "key = 'generation'").replace("rowid = 7", "key = 'lists'")
    what = "CAST(? AS TEXT)" if of_text else "?"
    return f"UPDATE OR REPLACE {table} SET {column} = {what} WHERE {where}", [value]


def _columns() -> dict[str, list[str]]:
    connection = sqlite3.connect(":memory:")
    connection.executescript(schema.TABLES)
    found = {table: [row[1] for row in connection.execute(f"PRAGMA table_info({table})")] for table in TABLES}
    connection.close()
    return found


_COLUMNS = _columns()


def use_all(manifest: Manifest) -> None:
    """Reads all of an accepted manifest as reports, histories and restores do, and holds it against the rules."""
    for path, entry in manifest.entries.below(1, b""):
        names = path.split(b"/") if path else []
        assert all(0 < len(name) <= 4095 and name not in (b".", b"..") and b"\0" not in name for name in names)
        assert 0 <= entry.stat.size_bytes < 1 << 63
        assert 0 <= entry.stat.mode <= 0o7777
        assert entry.content.digest is None or len(entry.content.digest) == DIGEST_BYTES[entry.content.algorithm or 0]
        assert (entry.stat.kind is Kind.SYMLINK) == (entry.content.target is not None)
        assert all(b"\0" not in name for name, _ in manifest.entries.xattrs(entry.xattrs))
        assert manifest.entries.path(entry.id) == path
    reached = sum(1 for _ in manifest.entries.below(1, b""))
    assert reached == manifest.database.connection.execute("SELECT count(*) FROM entry").fetchone()[0]
    for held in manifest.past.all_held():
        assert not held.startswith(b"/") and b".." not in held.split(b"/")
    for past in manifest.past.held_until(1 << 40):
        path = manifest.past.path_as_of(past.parent, past.name, past.until - 1)
        assert not path.startswith(b"/") and b".." not in path.split(b"/")
    for run in manifest.runs.all():
        assert isinstance(json.loads(run.summary), dict)
        json.dumps(night_report(manifest, "recordings", run, keep_s=1e6, floor_s=1e5).notes)
        list(Changes(manifest, run.number))
    manifest.runs.open_damage()
    overview(manifest)


def look(pair: Pair) -> bool:
    """Whether the sealed manifest was accepted; it was passed over, or refused in one sentence, where not."""
    before = contents(pair.secondary)
    try:
        with open_secondary(pair.secondary, Effects()) as secondary:
            if secondary.manifest is not None:
                use_all(secondary.manifest)
                found = True
            else:
                (note,) = secondary.notes
                assert note.startswith("records/manifest.sqlite3 cannot be used, and was passed over: ")
                assert "\n" not in note and note.endswith(".")
                found = False
    except NightferryError as error:
        assert "\n" not in str(error) and str(error).endswith(".")
        found = False
    event("accepted" if found else "refused")
    generation_of(pair.records / "manifest.sqlite3")
    assert contents(pair.secondary) == before
    return found


def put(pair: Pair, content: bytes) -> Path:
    path = pair.records / "manifest.sqlite3"
    path.write_bytes(content)
    return path


LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"
quick = settings(
    max_examples=3000 if LONG else 40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


def test_the_manifest_itself_is_accepted(world: tuple[Pair, bytes]) -> None:
    pair, sealed = world
    put(pair, sealed)
    with open_secondary(pair.secondary, Effects()) as secondary:
        assert secondary.manifest is not None
        use_all(secondary.manifest)


@quick
@given(changes=st.lists(row_changes(), min_size=1, max_size=3))
def test_rule_I_rows_changed_at_random(world: tuple[Pair, bytes], changes: list[tuple[str, list[object]]]) -> None:
    pair, sealed = world
    path = put(pair, sealed)
    connection = sqlite3.connect(path)
    try:
        for statement, values in changes:
            try:
                connection.execute(statement, values)
            except sqlite3.Error:
                continue  # a value that SQLite itself keeps out
        connection.commit()
    finally:
        connection.close()
    look(pair)


@quick
@given(data=st.data())
def test_rule_I_bytes_changed_at_random(world: tuple[Pair, bytes], data: st.DataObject) -> None:
    pair, sealed = world
    content = bytearray(sealed)
    for _ in range(data.draw(st.integers(1, 4))):
        near_start = data.draw(st.booleans())
        at = data.draw(st.integers(0, 200 if near_start else len(content) - 1))
        piece = data.draw(st.binary(min_size=1, max_size=8))
        content[at : at + len(piece)] = piece
    put(pair, bytes(content))
    look(pair)


@quick
@given(data=st.data())
def test_rule_I_pages_moved_and_cut_at_random(world: tuple[Pair, bytes], data: st.DataObject) -> None:
    pair, sealed = world
    pages = [sealed[at : at + PAGE] for at in range(0, len(sealed), PAGE)]
    one, other = (data.draw(st.integers(0, len(pages) - 1)) for _ in range(2))
    pages[one], pages[other] = pages[other], data.draw(st.sampled_from([pages[one], bytes(PAGE), pages[other]]))
    content = b"".join(pages)
    cut = data.draw(st.one_of(st.just(len(content)), st.integers(0, len(content))))
    put(pair, content[:cut] + data.draw(st.binary(max_size=5)))
    look(pair)


@quick
@given(
    kind=st.sampled_from(["TABLE x (a)", "VIEW x AS SELECT * FROM entry", "INDEX x ON entry (size_bytes)",
                          "TRIGGER x AFTER UPDATE ON entry BEGIN DELETE FROM past; END"]),
    name=st.text("abcdefghijklmnopqrstuvwxyz_-. \"'\n", min_size=1, max_size=12),
)  # fmt: skip
def test_rule_I_objects_added_at_random(world: tuple[Pair, bytes], kind: str, name: str) -> None:
    pair, sealed = world
    path = put(pair, sealed)
    connection = sqlite3.connect(path)
    quoted = '"' + name.replace('"', '""') + '"'
    try:
        connection.execute("CREATE " + kind.replace(" x ", f" {quoted} ", 1))
        connection.commit()
    except sqlite3.OperationalError:
        return  # the name is taken, by one of ours or by SQLite
    finally:
        connection.close()
    assert not look(pair)
