"""What is told of a name: events, versions, and until when each is kept."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from nightferry.manifest.asof import Node, Source
from nightferry.manifest.history import Stretch
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Content, Intent
from nightferry.reporting.audit.history import Event, Retaining, Story, Teller, events
from nightferry.reporting.screens.history_json import story_as_json
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

DAY_S = 86_400.0
FOLDER = Stat(Kind.FOLDER, 0, 10, 11, 1, 0o755, 0, 0, 1, 0)
FILE = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
KEEPING = Retaining(30 * DAY_S, 7 * DAY_S)
ONE, TWO = (Content(1, bytes([number]) * 16) for number in (1, 2))


def stretch(
    since: int,
    until: int | None,
    path: bytes,
    reason: str | None,
    stat: Stat = FILE,
    content: Content = ONE,
    **more: object,
) -> Stretch:
    node = Node(9, more.get("parent", 1), path.rpartition(b"/")[2], stat, content, more.get("xattrs"), since, until)
    return Stretch(since, until, path, node, reason)


def kinds(life: list[Stretch]) -> list[tuple[int, tuple[str, ...]]]:
    return [(event.run, event.kinds) for event in events(life)]


def test_a_name_that_stands_unchanged_was_added() -> None:
    assert events([stretch(3, None, b"a", None)]) == [Event(3, ("added",), b"a", None, False, 5, None, ())]
    assert events([]) == []


def test_changes_moves_and_removal() -> None:
    life = [
        stretch(1, 2, b"a", "changed"),
        stretch(2, 4, b"a", "moved", FILE._replace(size_bytes=7), TWO),
        stretch(4, 6, b"f/b", "removed", FILE._replace(size_bytes=7), TWO, parent=4),
    ]
    found = events(life)
    assert [event.kinds for event in found] == [("added",), ("changed",), ("moved",), ("removed",)]
    assert (found[1].size_bytes, found[1].before_bytes) == (7, 5)
    assert (found[2].source, found[2].path, found[2].with_folder) == (b"a", b"f/b", False)
    assert (found[3].run, found[3].path, found[3].size_bytes) == (6, b"f/b", 7)


def test_moved_with_its_folder() -> None:
    """The version is the same row: only its path differs."""
    one = stretch(1, None, b"x/a", None)
    life = [one._replace(until=3), one._replace(since=3, path=b"y/a")]
    assert [(event.kinds, event.source, event.with_folder) for event in events(life)] == [
        (("added",), None, False), (("moved",), b"x/a", True),
    ]  # fmt: skip


def test_one_night_may_do_several_things() -> None:
    life = [stretch(1, 2, b"a", "moved"), stretch(2, None, b"b", None, FILE._replace(size_bytes=6, mode=0o600), TWO)]
    assert kinds(life) == [(1, ("added",)), (2, ("moved", "changed"))]
    life = [stretch(1, 2, b"a", "moved"), stretch(2, None, b"b", None, FILE._replace(mode=0o600))]
    assert kinds(life) == [(1, ("added",)), (2, ("moved", "metadata"))]


@pytest.mark.parametrize(
    ("now", "xattrs", "altered"),
    [
        (FILE._replace(mode=0o4755), None, ("mode 0644 → 4755",)),
        (FILE._replace(uid=1000, gid=100), None, ("owner 0:0 → 1000:100",)),
        (FILE._replace(mtime_ns=99), None, ("time",)),
        (FILE, 1, ("attributes",)),
        (FILE._replace(mode=0, mtime_ns=0), 1, ("mode 0644 → 0000", "attributes", "time")),
    ],
)
def test_what_of_the_metadata_changed(now: Stat, xattrs: int | None, altered: tuple[str, ...]) -> None:
    found = events([stretch(1, 2, b"a", "metadata"), stretch(2, None, b"a", None, now, xattrs=xattrs)])
    assert (found[1].kinds, found[1].altered) == (("metadata",), altered)


def test_what_says_nothing_is_not_told() -> None:
    """A folder's time moves with every name in it; a symlink's mode has no meaning."""
    life = [stretch(1, 2, b"f", "times", FOLDER, Content()), stretch(2, None, b"f", None, FOLDER._replace(mtime_ns=9))]
    assert kinds([life[0], life[1]._replace(node=life[1].node._replace(content=Content()))]) == [(1, ("added",))]
    link, target = FILE._replace(kind=Kind.SYMLINK), Content(target=b"x")
    life = [stretch(1, 2, b"l", "metadata", link, target), stretch(2, None, b"l", None, link._replace(mode=0), target)]
    assert kinds(life) == [(1, ("added",))]


def test_a_mended_copy_and_one_written_again() -> None:
    assert kinds([stretch(1, 2, b"a", "decayed"), stretch(2, None, b"a", None)])[1] == (2, ("mended",))
    assert kinds([stretch(1, 2, b"a", "changed"), stretch(2, None, b"a", None)])[1] == (2, ("changed",))


def test_a_gap_is_a_removal_and_a_return() -> None:
    """As after a manifest was built anew from an older one."""
    life = [stretch(1, 2, b"a", "removed"), stretch(5, None, b"a", None)]
    assert kinds(life) == [(1, ("added",)), (2, ("removed",)), (5, ("added",))]


# --- from a manifest


@pytest.fixture
def story(tmp_path: Path) -> Callable[..., Story]:
    """Nights 1 to 12, one a day from 1 May 2026. A file that changed in night 3, moved in 5, changed back in 8."""
    made = Manifest.create(tmp_path / FILE_NAME, Effects(), pair_id="p", pair_name="recordings")
    start_s = datetime(2026, 5, 1, 2, 30, tzinfo=UTC).timestamp()
    for number in range(1, 13):
        began_s = start_s + (number - 1) * DAY_S
        made.runs.start(number, f"{number:06}", began_s)
        made.runs.end(number, began_s + 3600, "complete", "{}")

    def settle(run: int, *intents: Intent) -> None:
        made.journal.write(intents, run)
        made.journal.settle([intent for _, intent in made.journal.read()], run)

    def change(content: Content, path: bytes, held: bytes) -> Intent:
        return Intent("place", path, 2, staged=b"s", held=held, reason="changed", stat=FILE, content=content)

    with made.database.transaction():
        made.entries.insert(0, b"", FOLDER, Content(), None, 1)
    settle(1, Intent("place", b"a", staged=b"s", stat=FILE, content=ONE))
    settle(3, change(TWO, b"a", b"3/a"))
    settle(5, Intent("move", b"b", 2, source=b"a", stat=FILE))
    settle(8, change(ONE, b"b", b"8/b"))

    def tell(run: int = 12, *intents: Intent, retaining: Retaining | None = KEEPING) -> Story:
        if intents:
            settle(run, *intents)
        found = Teller(made, retaining).story(2)
        made.close()
        assert found is not None
        return found

    return tell


def test_versions_and_where_each_is(story: Callable[..., Story]) -> None:
    found = story()
    assert (found.path, found.kind, found.is_there) == (b"b", Kind.FILE, True)
    first, second, third = found.versions
    assert [(each.since, each.until, each.path) for each in found.versions] == [
        (1, 3, b"a"),
        (3, 8, b"b"),
        (8, None, b"b"),
    ]
    assert second.places == [Source("retired", b"8/b", 8)]
    assert first.places == third.places == [Source("copy", b"b"), Source("retired", b"3/a", 3)]
    assert first.kept is None and third.kept is None, "the copy has it: nothing there goes by its age"
    assert second.algorithm == "xxh3_128"


def test_until_when_a_version_is_kept(story: Callable[..., Story]) -> None:
    """It left the copy on 8 May: 30 days later by the clock, and 30 nights, of which four are through on the 12th."""
    kept = story().versions[1].kept
    assert kept is not None
    assert datetime.fromtimestamp(kept.until_s, UTC) == datetime(2026, 6, 7, 2, 30, tzinfo=UTC)
    assert datetime.fromtimestamp(kept.at_least_until_s, UTC) == datetime(2026, 5, 15, 2, 30, tzinfo=UTC)
    assert kept.nights == 30


def test_without_the_settings_nobody_says_until_when(story: Callable[..., Story]) -> None:
    assert story(retaining=None).versions[1].kept is None


def test_what_was_let_go_says_when(story: Callable[..., Story]) -> None:
    found = story(11, Intent("expire", b"8/b"), Intent("expire", b"3/a"))
    assert (found.versions[1].places, found.versions[1].let_go) == ([], 11)
    assert (found.versions[0].places, found.versions[0].let_go) == ([Source("copy", b"b")], None)
    told = story_as_json(found)["versions"][1]
    assert (told["places"], told["let_go_night"], told["kept_until"]) == ([], 11, None)


def test_a_removed_file_keeps_its_versions(story: Callable[..., Story]) -> None:
    found = story(12, Intent("retire", b"b", 2, held=b"12/b", reason="removed", stat=FILE))
    assert not found.is_there
    assert found.events[-1].kinds == ("removed",)
    assert found.versions[2].places == [Source("retired", b"12/b", 12), Source("retired", b"3/a", 3)]
    assert found.versions[2].kept is not None and found.versions[2].kept == found.versions[0].kept
