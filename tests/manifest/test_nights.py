"""Which nights' states are still whole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.nights import nights
from nightferry.manifest.records import Content, Intent
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
FILE = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
LINK = Stat(Kind.SYMLINK, 5, 20, 21, 3, 0o777, 0, 0, 1, 0)
ONE, TWO, THREE = (Content(1, bytes([number]) * 16) for number in (1, 2, 3))


@pytest.fixture
def manifest(tmp_path: Path) -> Iterator[Manifest]:
    """Seven nights, of which the sixth has no end. One file has another content from nights 3 and 5 on."""
    made = Manifest.create(tmp_path / FILE_NAME, Effects(), pair_id="p", pair_name="recordings")
    with made.database.transaction():
        made.entries.insert(0, b"", FOLDER, Content(), None, 1)
    for number in range(1, 8):
        made.runs.start(number, f"{number:06}", number * 100.0)
        if number != 6:
            made.runs.end(number, number * 100.0 + 50, "complete", "{}")
    settle(made, 1, Intent("place", b"kyrie.wav", staged=b"s", stat=FILE, content=ONE))
    settle(made, 3, change(TWO, b"3/kyrie.wav"))
    settle(made, 5, change(THREE, b"5/kyrie.wav"))
    yield made
    made.close()


def change(content: Content, held: bytes) -> Intent:
    return Intent("place", b"kyrie.wav", 2, staged=b"s", held=held, reason="changed", stat=FILE, content=content)


def settle(manifest: Manifest, run: int, *intents: Intent) -> None:
    manifest.journal.write(intents, run)
    manifest.journal.settle([intent for _, intent in manifest.journal.read()], run)


def lost(manifest: Manifest) -> list[int]:
    return [night.lost_files for night in nights(manifest)]


def let_go(manifest: Manifest, held: bytes) -> None:
    settle(manifest, 7, Intent("expire", held))


def test_all_are_whole_while_all_is_kept(manifest: Manifest) -> None:
    assert lost(manifest) == [0] * 7
    sixth, last = nights(manifest)[-2:]
    assert (sixth.number, sixth.started_s, sixth.ended_s, sixth.outcome, sixth.is_whole) == (6, 600, None, None, True)
    assert (last.number, last.ended_s, last.outcome) == (7, 750, "complete")


def test_what_goes_was_of_the_nights_that_had_it(manifest: Manifest) -> None:
    let_go(manifest, b"3/kyrie.wav")
    assert lost(manifest) == [1, 1, 0, 0, 0, 0, 0]
    let_go(manifest, b"5/kyrie.wav")
    assert lost(manifest) == [1, 1, 1, 1, 0, 0, 0]


def test_a_content_that_came_back_is_not_lost(manifest: Manifest) -> None:
    settle(manifest, 7, change(ONE, b"7/kyrie.wav"))
    let_go(manifest, b"3/kyrie.wav")
    assert lost(manifest) == [0] * 7


def test_what_only_moved_or_changed_its_mode_has_its_content_later(manifest: Manifest) -> None:
    settle(manifest, 6, Intent("move", b"gloria.wav", 2, source=b"kyrie.wav", stat=FILE))
    assert lost(manifest) == [0] * 7
    settle(manifest, 7, Intent("retire", b"gloria.wav", 2, held=b"7/gloria.wav", stat=FILE))
    assert lost(manifest) == [0] * 7
    let_go(manifest, b"7/gloria.wav")
    assert lost(manifest) == [0, 0, 0, 0, 1, 1, 0]


def test_bad_and_missing_versions_are_lost(manifest: Manifest) -> None:
    with manifest.database.transaction():
        manifest.past.let_go(b"3/kyrie.wav")
    settle(manifest, 7, Intent("forget", b"kyrie.wav", 2, reason="removed", stat=FILE))
    assert lost(manifest) == [1, 1, 0, 0, 1, 1, 0]


def test_symlinks_and_folders_are_in_the_manifest_whole(manifest: Manifest) -> None:
    settle(
        manifest, 2,
        Intent("note", b"best take", stat=LINK, content=Content(target=b"kyrie.wav")),
        Intent("folder", b"f", stat=FOLDER),
    )  # fmt: skip
    settle(
        manifest, 4,
        Intent("forget", b"best take", 3, reason="removed", stat=LINK), Intent("remove_folder", b"f", 4, stat=FOLDER),
    )  # fmt: skip
    settle(manifest, 4, Intent("unlisted", b"stranger", held=b"4/stranger", reason="unlisted"))
    assert lost(manifest) == [0] * 7
