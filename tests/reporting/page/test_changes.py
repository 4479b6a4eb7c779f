"""What a page picks out of a night's changes."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

from scenes import busy, many_changes, pair_in

from nightferry.reporting.page.changes import FOLDERS_SHOWN, NAMES_SHOWN, changes_of


def test_the_unusual_is_found_and_counted(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    busy(pair)
    with pair.manifest() as manifest:
        found = changes_of(manifest, 62)
    (gone,) = found.unusual.removals
    assert (gone.path, gone.files) == (b"2019 rehearsals", 60)
    assert [each.path for each in found.unusual.dated] == [b"old takes/list.txt"]
    assert {each.ending: each.files for each in found.unusual.endings} == {b"flac": 15, b"psd": 1, b"locked": 1}
    assert found.biggest[0].path == b"2026-06 summer tour/poster.psd"
    assert [each.size_bytes for each in found.biggest] == sorted(
        (each.size_bytes for each in found.biggest), reverse=True
    )
    folder = next(each for each in found.folders if each.path == b"2019 rehearsals")
    assert len(folder.names) == NAMES_SHOWN and folder.total.files == 60


def test_of_a_first_night_no_kind_of_file_is_new(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    pair.write("a.wav", os.urandom(10))
    pair.run_well()
    with pair.manifest() as manifest:
        assert changes_of(manifest, 1).unusual.is_empty


def test_rule_J_memory_is_bounded_with_many_changes(tmp_path: Path) -> None:
    peaks = []
    for count in (4_000, 20_000):
        (tmp_path / str(count)).mkdir()
        pair = pair_in(tmp_path / str(count))
        many_changes(pair, count)
        with pair.manifest() as manifest:
            tracemalloc.start()
            found = changes_of(manifest, 31)
            peaks.append(tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
        assert len(found.folders) == FOLDERS_SHOWN
        assert found.counts["added"]["files"] + found.counts["removed"]["files"] == count + 7
    assert peaks[1] < peaks[0] * 1.3 + 512 * 1024
