"""The manifest itself damaged: found before a night writes anything, and put right from what is sound.

Real damage to real files: pages overwritten in the middle, the file cut short, its header zeroed, another pair's in its
place. What is right is known from SHA-256 sums of the drives' trees, taken before, and from the drives themselves.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from harness import Pair, contents, footprint

from drives import run
from nightferry.errors import Failed
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.records import Content
from nightferry.manifest.soundness import find_fault
from nightferry.manifest.untrusted import generation_of
from nightferry.night.pairing import make_pair
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

KYRIE = "2026-05 spring concert/01 kyrie.wav"
GLORIA = "2026-05 spring concert/02 gloria.wav"
PAGE = 4096


def overwrite(path: Path) -> None:
    """Some pages in the middle, as a dying flash card gives back what it likes."""
    with path.open("r+b") as file:
        pages = os.fstat(file.fileno()).st_size // PAGE
        for page in range(2, pages - 1, 3):
            file.seek(page * PAGE)
            file.write(os.urandom(PAGE))


def truncate(path: Path) -> None:
    os.truncate(path, os.stat(path).st_size // 2 // PAGE * PAGE)


def cut_to_nothing(path: Path) -> None:
    os.truncate(path, 0)


def zero_header(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(bytes(100))


def zero_pages(path: Path) -> None:
    with path.open("r+b") as file:
        size_bytes = os.fstat(file.fileno()).st_size
        file.seek(PAGE)
        file.write(bytes(size_bytes - 2 * PAGE))


DAMAGES = [overwrite, truncate, cut_to_nothing, zero_header, zero_pages]
damages = pytest.mark.parametrize("harm", DAMAGES, ids=lambda harm: harm.__name__)
Harm = Callable[[Path], None]


class Choir:
    """A pair after four nights, with a removed, a replaced, a moved and a linked file, and 300 more."""

    def __init__(self, make: Callable[..., Pair]) -> None:
        self.pair = make(verify_share=0.0)
        pair = self.pair
        pair.write(KYRIE, os.urandom(30_000))
        pair.write(GLORIA, os.urandom(20_000))
        pair.write("2025 autumn/day 1/notes.txt", "first")
        pair.write("2025 autumn/day 1/sketch.txt", "sketch")
        for number in range(300):
            pair.write(f"rehearsal/{number:03d}.wav", os.urandom(300))
        os.symlink("01 kyrie.wav", pair.at("2026-05 spring concert/opening"))
        os.link(pair.at(KYRIE), pair.at("best of kyrie.wav"))
        os.setxattr(pair.at(GLORIA), "user.choir", b"alto")
        pair.at(GLORIA).chmod(0o640)
        pair.run_well()
        pair.clock.pass_days(1)
        pair.write(GLORIA, os.urandom(21_000))
        pair.at("2025 autumn/day 1/sketch.txt").unlink()
        pair.run_well()
        pair.clock.pass_days(1)
        shutil.rmtree(pair.at("2025 autumn"))
        pair.run_well()
        pair.clock.pass_days(1)
        pair.write(GLORIA, os.urandom(22_000))
        pair.at("rehearsal/000.wav").rename(pair.at("rehearsal/the first.wav"))
        pair.at("rehearsal/001.wav").unlink()
        pair.write("rehearsal/new.wav", b"new")
        pair.run_well()
        pair.clock.pass_days(1)
        self.working = pair.state_dir / "recordings/manifest.sqlite3"
        self.sealed, self.previous = pair.records / "manifest.sqlite3", pair.records / "manifest.previous.sqlite3"
        self.primary_before = contents(pair.primary)
        self.copy_before, self.retired_before = contents(pair.copy), contents(pair.retired)

    def check(self, *, history: bool = True) -> None:
        """After the repair: a night is complete and copies nothing, all is known, all comes back by hand."""
        pair = self.pair
        result = pair.run_well()
        tally = result.tally
        assert (tally.added, tally.changed, tally.moved, tally.removed, tally.written_bytes) == (0, 0, 0, 0, 0)
        assert pair.differences() == []
        assert contents(pair.primary) == self.primary_before
        assert contents(pair.copy) == self.copy_before
        assert contents(pair.retired) == self.retired_before
        with pair.manifest() as manifest:
            held = list(manifest.past.held_until(10**9))
            assert {past.held for past in held} == set(self.retired_before)
            for past in held:  # and each under the path that it had
                path = manifest.past.path_as_of(past.parent, past.name, past.until - 1)
                assert past.held is not None
                assert path == past.held.partition(b"/")[2]
                assert past.since < past.until
            for entry, parent, name in manifest.database.connection.execute("SELECT id, parent, name FROM entry"):
                assert entry == 1 or manifest.entries.child(parent, name).id == entry
            assert find_fault(self.working, thorough=True) is None
            # a file's retired versions are those of its row, so that mending and history find them
            gloria = manifest.entries.find(GLORIA.encode())
            assert len(manifest.past.kept_versions(gloria.id)) == 2
            assert manifest.runs.last().number == result.number == 5 if history else True
            digests = dict(
                manifest.database.connection.execute("SELECT held, hex(digest) FROM past WHERE held NOT NULL")
            )
        for held_path, digest in digests.items():  # the checksums are those of the bytes, by xxhsum
            assert _xxh128(os.fsencode(pair.retired) + b"/" + held_path) == digest.lower()
        # everything read back on both drives is found right: the manifest speaks of these very bytes
        pair.set(verify_share=1.0, verify_cycle="1d")
        pair.clock.pass_days(1)
        later = pair.run_well()
        files = sum(kind.startswith(b"f") for kind in contents(pair.copy).values())
        assert later.tally.verified_files >= 2 * files
        assert later.tally.damage == 0
        assert pair.run_well().number == result.number + 2


def _xxh128(path: bytes) -> str:
    return run("xxhsum", "-H2", path).split()[0].decode().lstrip("\\")


@pytest.fixture
def choir(make: Callable[..., Pair]) -> Choir:
    return Choir(make)


# --- the working manifest


@damages
def test_a_damaged_working_manifest_is_replaced_from_the_sealed_one(choir: Choir, harm: Harm) -> None:
    harm(choir.working)
    damaged = choir.working.read_bytes()
    result = choir.pair.run_well()
    (note,) = [note for note in result.notes if "manifest" in note]
    assert "damaged" in note
    if harm is zero_header:  # a single page, which is proved by its checksum and put right in its place
        assert "A damaged page of the manifest here was put right" in note
    else:
        assert "replaced from the one on the secondary" in note
        (aside,) = choir.working.parent.glob("manifest.corrupt-*.sqlite3")
        assert aside.read_bytes() == damaged
    assert "entered anew" not in note  # the seal was that of the last night
    assert (result.tally.written_bytes, result.tally.added, result.tally.changed) == (0, 0, 0)
    assert result.number == 5
    with choir.pair.manifest() as manifest:
        assert [run.number for run in manifest.runs.all()] == [5, 4, 3, 2, 1]  # no history is lost
    choir.check(history=False)


@damages
def test_with_the_sealed_one_damaged_too_the_one_before_serves(choir: Choir, harm: Harm) -> None:
    """Its difference to the drive, the fourth night, is looked up there."""
    harm(choir.working)
    harm(choir.sealed)
    result = choir.pair.run_well()
    (note,) = [note for note in result.notes if "manifest here" in note]
    assert any("sealed on the secondary before this night was damaged" in note for note in result.notes)
    assert "sealed before the last" in note
    assert "entered anew" in note
    assert (result.tally.written_bytes, result.tally.added, result.tally.changed) == (0, 0, 0)
    assert result.number == 5
    with choir.pair.manifest() as manifest:
        gloria = manifest.entries.find(GLORIA.encode())
        versions = manifest.past.kept_versions(gloria.id)
        assert [(version.since, version.until) for version in versions] == [(2, 4), (1, 2)]
        assert gloria.since == 4
    choir.check(history=False)


def test_the_sealed_one_alone_damaged_harms_nothing(choir: Choir) -> None:
    overwrite(choir.sealed)
    previous = choir.previous.read_bytes()
    (note,) = choir.pair.run_well().notes
    assert "was damaged" in note
    assert "sealed anew" in note
    assert choir.previous.read_bytes() == previous  # a damaged one does not take the place of a sound one
    assert find_fault(choir.sealed, thorough=True) is None


def test_a_damaged_sealed_one_is_not_taken_for_newer(choir: Choir) -> None:
    """The previous one serves, and the damaged one's number, which can still be read, does not stop the night. The
    seals are those of an older nightferry, which left no checksums of their pages."""
    for beside in choir.pair.records.glob("manifest.*.pages"):
        beside.unlink()
    overwrite_files_table(choir.sealed)
    assert generation_of(choir.sealed) == 4
    truncate(choir.working)
    assert any("sealed before the last" in note for note in choir.pair.run_well().notes)
    assert generation_of(choir.sealed) == 5
    choir.check(history=False)


def overwrite_files_table(path: Path) -> None:
    connection = sqlite3.connect(path)
    (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'entry'").fetchone()
    connection.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * PAGE)
        file.write(os.urandom(PAGE))


def test_P_a_page_of_the_sealed_one_that_stands_elsewhere_too_costs_nothing(choir: Choir) -> None:
    overwrite_files_table(choir.sealed)
    sealed = choir.sealed.read_bytes()
    shutil.rmtree(choir.working.parent)
    make_pair(choir.pair.settings, choir.pair.state_dir, lambda _: True)
    assert choir.sealed.read_bytes() == sealed  # taking over only reads
    with choir.pair.manifest() as manifest:
        assert manifest.runs.last().number == 4
    choir.check()


def test_another_pair_s_manifest_in_records_is_passed_over(choir: Choir, tmp_path: Path) -> None:
    other = Pair(tmp_path / "scores", tmp_path / "scores-second", tmp_path / "state", name="scores")
    for number in range(9):  # more nights than the pair has had
        other.write("list.txt", f"{number}")
        other.run_well()
    shutil.copyfile(other.records / "manifest.sqlite3", choir.sealed)
    truncate(choir.working)
    choir.pair.run_well()
    choir.check(history=False)


def test_only_the_newest_damaged_manifests_are_kept(choir: Choir) -> None:
    for _ in range(4):
        truncate(choir.working)
        choir.pair.run_well()
        choir.pair.clock.pass_days(1)
    assert len(list(choir.working.parent.glob("manifest.corrupt-*.sqlite3"))) == 2


def empty_an_index(path: Path) -> None:
    """SQLite's quick check passes it: one index lacks its rows."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA writable_schema = ON")
    (root,) = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'entry_inode'").fetchone()
    connection.close()
    with path.open("r+b") as file:
        file.seek((root - 1) * PAGE)
        file.write(b"\x0a" + bytes(4) + (PAGE).to_bytes(2, "big") + bytes(1) + bytes(PAGE - 8))  # an empty leaf
    # (fileformat2.html, 1.6: type 0x0a is a leaf of an index; no cells, content starts at the end)


@pytest.mark.parametrize("outcome", [None, "failed"])
def test_after_a_run_that_did_not_end_well_the_thorough_check_is_made_at_once(
    choir: Choir, outcome: str | None
) -> None:
    choir.pair.set(verify_cycle="30d")
    choir.pair.run_well()  # the check is made, and the next one is a month away
    connection = sqlite3.connect(choir.working)
    connection.execute("UPDATE run SET outcome = ? WHERE number = (SELECT max(number) FROM run)", (outcome,))
    connection.commit()
    connection.close()
    empty_an_index(choir.working)
    result = choir.pair.run()
    assert any("was replaced" in note for note in result.notes)


def test_an_index_that_disagrees_is_found_by_the_thorough_check(choir: Choir) -> None:
    """Where its pages have no checksums, as that of an older nightferry: then the next night makes it."""
    choir.working.with_suffix(".pages").unlink()
    empty_an_index(choir.working)
    assert find_fault(choir.working, thorough=False) is None
    assert find_fault(choir.working, thorough=True) is not None
    choir.pair.set(verify_cycle="30d")
    result = choir.pair.run_well()
    assert any("was replaced" in note for note in result.notes)


def test_P_an_index_that_disagrees_is_found_by_its_page(choir: Choir) -> None:
    empty_an_index(choir.working)
    assert find_fault(choir.working, thorough=False) is not None
    result = choir.pair.run_well()
    assert any("was put right from the one on the secondary" in note for note in result.notes)
    choir.check(history=False)


def test_damage_met_during_a_night_ends_it_and_the_next_one_repairs(choir: Choir) -> None:
    """The file goes bad after the check: nothing is sealed over the sound one, and the next night replaces it."""

    class Harming(Effects):
        """Overwrites the manifest when the night first lists a folder."""

        done = False

        def scandir(self, *args: object, **given: object) -> object:
            if not self.done:
                type(self).done = True
                overwrite(choir.working)
            return super().scandir(*args, **given)

    sealed = choir.sealed.read_bytes()
    for number in range(50):
        choir.pair.write(f"more/{number}.wav", os.urandom(100))
    choir.pair.set(verify_share=1.0)
    try:
        result = choir.pair.run(effects=Harming())
        assert result.outcome == "failed", result
        assert "cannot be read" in result.failure or "could not be written" in result.failure
    except Failed as error:
        assert "cannot be read" in str(error) or "could not be written" in str(error)
    assert Harming.done
    assert choir.sealed.read_bytes() == sealed
    result = choir.pair.run_well()
    assert any("was replaced" in note for note in result.notes)
    assert choir.pair.differences() == []
    with choir.pair.manifest() as manifest:
        assert set(manifest.past.all_held()) == set(contents(choir.pair.retired))


# --- nothing sound is left


@damages
def test_with_all_three_damaged_a_night_writes_nothing_and_names_the_way(choir: Choir, harm: Harm) -> None:
    for path in (choir.working, choir.sealed, choir.previous):
        harm(path)
    before = footprint(choir.pair.primary, choir.pair.secondary)
    with pytest.raises(Failed, match="nightferry pair recordings") as caught:
        choir.pair.run()
    assert caught.value.exit_code == 4
    assert footprint(choir.pair.primary, choir.pair.secondary) == before
    rebuild(choir)
    choir.check()


def rebuild(choir: Choir) -> None:
    proposed = []
    before = footprint(choir.pair.primary, choir.pair.secondary)

    def agree(proposal: object) -> bool:
        proposed.append(proposal)
        return True

    make_pair(choir.pair.settings, choir.pair.state_dir, agree)
    assert [each.action for each in proposed] == ["rebuild"]
    assert proposed[0].to_read_bytes > 0
    assert footprint(choir.pair.primary, choir.pair.secondary) == before  # it only read


@pytest.mark.parametrize("sealed", ["damaged", "missing"])
def test_built_anew_on_a_new_box(choir: Choir, sealed: str) -> None:
    shutil.rmtree(choir.working.parent)
    for path in (choir.sealed, choir.previous):
        if sealed == "damaged":
            overwrite(path)
        else:
            path.unlink()
    rebuild(choir)
    with choir.pair.manifest() as manifest:
        numbers = {run.number for run in manifest.runs.all()}
        assert numbers == {2, 3, 4}  # those that retired something
        gloria = manifest.entries.find(GLORIA.encode())
        assert [(v.since, v.until) for v in manifest.past.kept_versions(gloria.id)] == [(2, 4), (0, 2)]
        assert gloria.since == 4
        # owners, modes, links and attributes come from the primary
        assert gloria.stat == Stat.of(os.lstat(choir.pair.at(GLORIA)))._replace(allocated_bytes=0)
        assert manifest.entries.xattrs(gloria.xattrs) == ((b"user.choir", b"alto"),)
    choir.check()


def test_built_anew_without_a_primary_that_still_has_it_all(choir: Choir) -> None:
    """What the primary lost meanwhile comes from the copy, and is retired by the next night like any removal."""
    pair = choir.pair
    shutil.rmtree(choir.working.parent)
    choir.sealed.unlink()
    choir.previous.unlink()
    pair.at(KYRIE).unlink()
    pair.write(GLORIA, b"another")
    rebuild(choir)
    result = pair.run_well()
    assert (result.tally.removed, result.tally.changed) == (1, 1)
    kept = set(contents(pair.copy).values()) | set(contents(pair.retired).values())
    assert set(choir.copy_before.values()) | set(choir.retired_before.values()) <= kept
    with pair.manifest() as manifest:
        assert set(manifest.past.all_held()) == set(contents(pair.retired))
    assert pair.differences() == []


def test_where_both_drives_differ_under_one_date_neither_is_copied(choir: Choir) -> None:
    """Nobody can tell which of the two decayed: said as damage, and both stand."""
    pair = choir.pair
    for path in (choir.working, choir.sealed, choir.previous):
        zero_header(path)
    times = os.stat(pair.copy / KYRIE)
    with (pair.copy / KYRIE).open("r+b") as file:
        file.seek(1000)
        file.write(b"rot!")
    os.utime(pair.copy / KYRIE, ns=(times.st_atime_ns, times.st_mtime_ns))
    rebuild(choir)
    pair.set(verify_share=1.0, verify_cycle="1d")
    pair.clock.pass_days(1)
    bytes_of_both = [(root / KYRIE).read_bytes() for root in (pair.primary, pair.copy)]
    result = pair.run()
    assert result.state == "attention"
    with pair.manifest() as manifest:
        assert (KYRIE.encode(), "primary", "decayed") in {each[:3] for each in manifest.runs.open_damage()}
    assert [(root / KYRIE).read_bytes() for root in (pair.primary, pair.copy)] == bytes_of_both


def test_everything_restored_by_hand_after_a_rebuild_is_what_it_was(choir: Choir, tmp_path: Path) -> None:
    for path in (choir.working, choir.sealed, choir.previous):
        overwrite(path)
    rebuild(choir)
    choir.pair.run_well()
    shutil.copytree(choir.pair.copy, tmp_path / "restored", symlinks=True)
    shutil.copytree(choir.pair.retired, tmp_path / "old versions", symlinks=True)
    assert contents(tmp_path / "restored") == choir.copy_before
    assert contents(tmp_path / "old versions") == choir.retired_before
    own = {b".nightferry-volume.toml"}
    assert choir.copy_before == {name: digest for name, digest in choir.primary_before.items() if name not in own}


def test_a_sound_pair_needs_nothing(choir: Choir) -> None:
    assert make_pair(choir.pair.settings, choir.pair.state_dir, lambda _: False).action == "none"
    assert choir.pair.run_well().notes == []
    assert list(choir.working.parent.glob("manifest.corrupt-*")) == []


# --- the check


@damages
def test_every_damage_is_found_in_a_large_manifest_and_none_in_a_sound_one(tmp_path: Path, harm: Harm) -> None:
    path = tmp_path / "manifest.sqlite3"
    manifest = Manifest.create(path, Effects(), pair_id="p", pair_name="recordings")
    file = Stat(Kind.FILE, 5, 20, 21, 2, 0o644, 0, 0, 1, 0)
    with manifest.database.transaction():
        manifest.entries.insert(0, b"", file._replace(kind=Kind.FOLDER), Content(), None, 1)
        for number in range(5_000):
            manifest.entries.insert(1, b"%d" % number, file._replace(inode=number), Content(1, os.urandom(16)), None, 1)
    manifest.close()
    assert find_fault(path, thorough=True, pair_id="p") is None
    assert find_fault(path, thorough=True, pair_id="another") == "it is that of another pair"
    harm(path)
    assert find_fault(path, thorough=False)
    assert find_fault(path, thorough=True, unchanging=True)


def test_a_manifest_of_another_format_is_not_called_damaged(tmp_path: Path) -> None:
    path = tmp_path / "manifest.sqlite3"
    Manifest.create(path, Effects(), pair_id="p", pair_name="recordings").close()
    connection = sqlite3.connect(path)
    connection.execute("UPDATE meta SET value = '99' WHERE key = 'schema'")
    connection.commit()
    connection.close()
    assert find_fault(path, thorough=True) is None
    with pytest.raises(Failed, match="format 99"):
        Manifest.open(path, Effects())
