"""Every place that the records have for a content, in any number, with an index of checksums and without."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightferry.manifest import contents
from nightferry.manifest.contents import Contents, DigestIndex, Recorded
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import ROOT_ID, Content, Intent
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

FILE = Stat(Kind.FILE, 3, 10, 20, 0, 0o644, 0, 0, 1, 0)
ONE, TWO = Content(1, b"1" * 16), Content(1, b"2" * 16)
MANY = 3 * contents._PAGE + 7


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    """Three pages of one content among others, in the copy and retired; of two, one is known to be bad."""
    made = Manifest.create(tmp_path / "manifest", Effects(), pair_id="p", pair_name="recordings")
    with made.database.transaction() as connection:
        nulls = ",".join(["NULL"] * 4)
        connection.execute(f"INSERT INTO entry VALUES (1,0,x'',1,0,0,0,1,0,0,0,1,{nulls},1,1,NULL,NULL,1,NULL)")
        for number in range(MANY):
            for which, content in enumerate((ONE, TWO)):
                made.entries.insert(ROOT_ID, b"%d-%d" % (number, which), FILE, content, None, 1)
    for number in range(MANY):
        row = made.entries.child(ROOT_ID, b"%d-0" % number)
        assert row is not None
        with made.database.transaction():
            made.past.keep(row.id, 2, "changed", b"2/%d" % number)
    made.runs.find_damage(b"5-0", "secondary", "decayed", "verify", 1, 1.0, "")
    made.runs.find_damage(b"6-0", "secondary", "unreadable", "verify", 1, 1.0, "")
    yield made
    made.close()


def _wanted() -> list[Recorded]:
    copies = [Recorded("copy", b"%d-0" % number) for number in range(MANY) if number not in (5, 6)]
    retired = [Recorded("retired", b"2/%d" % number) for number in range(MANY)]
    return [*copies, *retired, Recorded("copy", b"6-0")]


def test_all_of_them_are_given_however_many(manifest: Manifest) -> None:
    assert list(Contents(manifest).places(ONE)) == _wanted()
    assert list(Contents(manifest).places(Content(1, b"3" * 16))) == []
    assert list(Contents(manifest).places(Content(2, ONE.digest))) == []  # the same bytes by another algorithm


def test_many_questions_cost_one_pass_and_say_the_same(manifest: Manifest, monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    monkeypatch.setattr(contents, "DigestIndex", lambda rows: made.append(DigestIndex(rows)) or made[-1])
    asked = Contents(manifest)
    for _ in range(contents._PASSES_LIMIT * 3):
        assert list(asked.places(ONE)) == _wanted()
    assert len(made) == 1
    row = manifest.entries.find(b"9-0")
    assert row is not None
    with manifest.database.transaction() as connection:  # a row is believed as it is, and not as it was
        connection.execute("UPDATE entry SET digest = ? WHERE id = ?", (TWO.digest, row.id))
    assert Recorded("copy", b"9-0") not in list(asked.places(ONE))
    asked.close()


def test_an_index_in_the_manifest_is_used(manifest: Manifest) -> None:
    connection = manifest.database.connection
    connection.execute("CREATE INDEX entry_digest ON entry (digest) WHERE digest IS NOT NULL")
    connection.execute("CREATE INDEX past_digest ON past (digest) WHERE held IS NOT NULL")
    plans = [
        connection.execute(
            "EXPLAIN QUERY PLAN " + query.format(contents._SAME), {**ONE._asdict(), "after": 0, "limit": 9}
        ).fetchall()
        for query in (contents._COPY, contents._RETIRED)
    ]
    assert "entry_digest" in str(plans[0]) and "past_digest" in str(plans[1])
    assert list(Contents(manifest).places(ONE)) == _wanted()


def test_a_version_brought_back_stands_at_its_new_place(manifest: Manifest) -> None:
    manifest.journal.settle([Intent("bring_back", b"2/7", held=b"2~2/7", reason="decayed", content=ONE)], 3)
    found = [each.path for each in Contents(manifest).places(ONE) if each.place == "retired"]
    assert b"2~2/7" in found and b"2/7" not in found
    rows = manifest.database.connection.execute(
        "SELECT held, reason, since, until FROM past WHERE held IN (?, ?)", (b"2/7", b"2~2/7")
    )
    assert sorted(rows) == [(b"2/7", "decayed", 3, 3), (b"2~2/7", "changed", 1, 2)]
