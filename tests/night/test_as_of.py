"""The past as the manifest tells it, against an independent record of every night's state (rule B).

Random trees, random changes and real nights, among them killed and failing ones (the machine of test_model.py). After
each complete night the primary is looked at with the standard library and the result is kept; later, and after each
night that follows, the manifest has to tell exactly that state, and the files on the secondary have to bear it out.
"""

from __future__ import annotations

import hashlib
import itertools
import os
from pathlib import Path

import pytest
from crash_world import Thing, different, fast_folder, primary_of
from harness import Pair
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import initialize, rule, run_state_machine_as_test
from test_model import CONTENTS, LONG, PICK, PROFILE, WAYS, Nights

from drives import MIB, DriveFactory, missing_privileges
from nightferry.manifest.asof import AsOf, Node, Source
from nightferry.manifest.history import History
from nightferry.manifest.manifest import Manifest
from nightferry.manifest.nights import nights
from nightferry.reporting.audit.history import events
from nightferry.tree.metadata import Kind

LETTERS = {Kind.FOLDER: "d", Kind.FILE: "f", Kind.SYMLINK: "l"}
TYPES = {Kind.FOLDER: 0o040000, Kind.FILE: 0o100000, Kind.SYMLINK: 0o120000}


def content_at(pair: Pair, source: Source) -> tuple[str, bytes]:
    """What stands at a place, as ``Thing`` has it."""
    path = os.fsencode(pair.secondary) + b"/" + source.place.encode() + b"/" + source.path
    if os.path.islink(path):
        return "l", os.readlink(path)
    with open(path, "rb") as file:
        return "f", hashlib.sha256(file.read()).digest()


def told(manifest: Manifest, as_of: AsOf) -> dict[bytes, tuple[Thing, Node]]:
    """The state as the manifest has it. The content of a file is not known to it: left empty."""
    root = as_of.find(b"")
    assert root is not None
    walked = list(as_of.below(root, b""))
    found: dict[bytes, tuple[Thing, Node]] = {}
    for path, node in walked:
        assert path not in found
        assert as_of.path(node) == path
        group = min(as_of.path(each) for each in as_of.linked(node))
        stat = node.stat
        metadata = (TYPES[stat.kind] | stat.mode, stat.uid, stat.gid, stat.mtime_ns)
        xattrs = tuple((os.fsdecode(name), value) for name, value in manifest.entries.xattrs(node.xattrs))
        found[path] = (Thing(LETTERS[stat.kind], node.content.target or b"", metadata, xattrs, group), node)
    return found


def check_state(pair: Pair, manifest: Manifest, run: int, wanted: dict[bytes, Thing], *, whole: bool) -> int:
    """Compares one night's state; returns how many files of it have no content any more."""
    as_of = AsOf(manifest, run)
    found = told(manifest, as_of)
    assert list(found)[1:] == [path for path in found if path], "the root comes first"
    contentless = {path: thing if thing.kind != "f" else thing._replace(content=b"") for path, thing in wanted.items()}
    wrong = different(contentless, {path: thing for path, (thing, _) in found.items()})
    assert not wrong, f"night {run} is told wrongly: {wrong[:5]}"
    lost = 0
    for path, (thing, node) in found.items():
        assert as_of.find(path) == node
        places = as_of.sources(node)
        for place in places:
            assert content_at(pair, place) == (thing.kind, wanted[path].content), f"{path!r} of night {run}: {place}"
        assert thing.kind != "d" or not places
        lost += thing.kind == "f" and not places
        assert places or thing.kind != "f" or not whole, f"night {run} counts as whole, and {path!r} has no content"
    return lost


class Remembered(Nights):
    """Each complete night's state is remembered; checked against the manifest at the end and now and then."""

    whole = 0
    partly = 0

    @initialize(way=st.sampled_from(sorted(WAYS, reverse=True)))
    def begin(self, way: str) -> None:
        Nights.begin(self, way=way)
        self.pair.set(keep_retired="1d", keep_retired_at_least="1d")  # so that something is let go
        self.memory: dict[int, dict[bytes, Thing]] = {}

    def _before(self) -> set[tuple[str, bytes]]:
        return set()

    def _after(self, what: str, before: set[tuple[str, bytes]], *, counts: bool) -> None:
        self.nights[what] = self.nights.get(what, 0) + 1  # what else holds after a night: test_model.py

    def _check_complete(self) -> None:
        with self.pair.manifest() as manifest:
            last = manifest.runs.last()
        assert last is not None
        self.memory[last.number] = primary_of(self.pair)

    @rule(edits=st.lists(st.tuples(PICK, CONTENTS), min_size=4, max_size=6))
    def ordinary_days(self, edits: list[tuple[int, bytes]]) -> None:
        """A file is saved anew on each: after some of them the older versions are let go."""
        for pick, content in edits:
            self.save_anew(pick=pick, content=content)
            self.pair.clock.pass_days(1.1)
            self._night(None)

    @rule()
    def look_back(self) -> None:
        with self.pair.manifest() as manifest:
            if manifest.journal.read():
                return  # a run was cut off: the next one finishes it first
            known = {night.number: night for night in nights(manifest)}
            self._check_all_lives(manifest)
            for run, wanted in self.memory.items():
                lost = check_state(self.pair, manifest, run, wanted, whole=known[run].is_whole)
                assert lost <= known[run].lost_files
                assert known[run].outcome == "complete"
                self._check_lives(manifest, run, wanted)
                Remembered.whole += known[run].is_whole
                Remembered.partly += not known[run].is_whole

    def _check_lives(self, manifest: Manifest, run: int, wanted: dict[bytes, Thing]) -> None:
        """The history of each name has it where it was: found by that path, and told with it."""
        history, as_of = History(manifest), AsOf(manifest, run)
        for path in wanted:
            node = as_of.find(path)
            assert node is not None
            assert node.entry in history.find(path)
            then = [each for each in history.life(node.entry) if each.since <= run < (each.until or run + 1)]
            assert [(each.path, each.node) for each in then] == [(path, node)]

    def _check_all_lives(self, manifest: Manifest) -> None:
        """No name is in two places or in none while it lived; every name that ever was is among all that match."""
        history = History(manifest)
        everything = {entry: path for path, entry in history.below(1, b"")}
        paths = {path for state in self.memory.values() for path in state if path}
        lives = {entry: history.life(entry) for entry in everything}
        assert paths <= {stretch.path for life in lives.values() for stretch in life}
        for entry, life in lives.items():
            assert everything[entry] == min(stretch.path for stretch in life)
            for one, other in itertools.pairwise(life):
                assert one.until == other.since, f"a gap in the life of row {entry}"
            told = events(life)
            assert told[0].kinds == ("added",) and told[0].run == life[0].since
            assert (told[-1].kinds == ("removed",)) == (life[-1].until is not None)
            assert [event.run for event in told] == sorted(event.run for event in told)
            assert told[-1].path == life[-1].path

    def teardown(self) -> None:
        try:
            if hasattr(self, "memory"):
                self._night(None)
                self.look_back()
        finally:
            super().teardown()


def test_rule_B_every_night_s_state_is_told_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    base, remove = fast_folder(tmp_path)
    drives = DriveFactory(base / "drives")
    try:
        Nights.base, Nights.patch, Nights.nights = base, monkeypatch, {}
        Remembered.whole = Remembered.partly = 0
        if not missing_privileges():
            Nights.base = drives("ext4", 64 * MIB).root
        profile = settings(PROFILE, max_examples=2000 if LONG else 24, stateful_step_count=40)
        run_state_machine_as_test(Remembered, settings=profile)
        print(f"\nnights: {Nights.nights}; states told whole {Remembered.whole}, partly {Remembered.partly}")
        assert Remembered.whole > 50
        assert Remembered.partly > 5, "retention never let anything go, so that half of this was not tested"
    finally:
        drives.close()
        remove()


def test_rule_B_a_folder_that_was_only_touched_stands_in_earlier_states(pair: Pair) -> None:
    """Its ctime moves, and nothing that a copy keeps."""
    kyrie = pair.write("2026-05 spring concert/01 kyrie.wav", b"kyrie")
    pair.run_well()
    os.chmod(kyrie.parent, kyrie.parent.stat().st_mode & 0o7777)
    pair.run_well()
    with pair.manifest() as manifest:
        for run in (1, 2):
            assert AsOf(manifest, run).find(b"2026-05 spring concert/01 kyrie.wav") is not None


def test_rule_C_a_copy_that_decayed_is_no_source_for_earlier_nights(pair: Pair) -> None:
    pair.write("01 kyrie.wav", b"kyrie")
    pair.run_well()
    (pair.copy / "01 kyrie.wav").write_bytes(b"rot!!")
    pair.clock.pass_days(40)
    pair.run_well()
    with pair.manifest() as manifest:
        as_of = AsOf(manifest, 1)
        node = as_of.find(b"01 kyrie.wav")
        assert node is not None
        assert [content_at(pair, source) for source in as_of.sources(node)] == [
            ("f", hashlib.sha256(b"kyrie").digest())
        ]
        assert [content_at(pair, source) for source in as_of.suspects(node)] == [
            ("f", hashlib.sha256(b"rot!!").digest())
        ]
        assert [night.lost_files for night in nights(manifest)] == [0, 0]
