"""What is not on the secondary, by what a night says and by what diff would: the bytes of the files themselves."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from harness import Pair

from nightferry.night import timing
from nightferry.night.context import Clock, Stop, Unwatched


@pytest.fixture
def pair(tmp_path: Path) -> Pair:
    made = Pair(tmp_path / "primary", tmp_path / "secondary", tmp_path / "state")
    for number in range(1, 9):
        made.write(f"2026-05 spring concert/{number:02} kyrie.wav", os.urandom(1000 + number))
    made.run_well()
    return made


def missing(pair: Pair) -> tuple[int, int]:
    """Files of the primary whose content is not in the copy under their name, and their bytes."""
    found = [
        path
        for path in pair.primary.rglob("*.wav")
        if not (pair.copy / path.relative_to(pair.primary)).is_file()
        or (pair.copy / path.relative_to(pair.primary)).read_bytes() != path.read_bytes()
    ]
    return len(found), sum(path.stat().st_size for path in found)


def said(pair: Pair) -> tuple[int, int] | None:
    with pair.manifest() as manifest:
        run = manifest.runs.last()
    assert run is not None
    found = json.loads(run.summary)["unprotected"]
    return None if found is None else (found["files"], found["bytes"])


def change(pair: Pair) -> None:
    """Some of everything: new, other content, only touched, moved, removed, a folder that becomes a file."""
    concert = pair.at("2026-05 spring concert")
    pair.write("2026-05 spring concert/09 agnus dei.wav", os.urandom(5000))
    pair.write("2026-06 rehearsal/01 warm-up.wav", os.urandom(7000))
    for number in (1, 2):
        (concert / f"{number:02} kyrie.wav").write_bytes(os.urandom(300 * number))
    os.utime(concert / "03 kyrie.wav")
    (concert / "04 kyrie.wav").rename(concert / "04 gloria.wav")
    (concert / "05 kyrie.wav").unlink()


def test_nothing_where_all_is_copied(pair: Pair) -> None:
    change(pair)
    result = pair.run_well()
    assert result.unprotected == (0, 0) == missing(pair) == said(pair)


def test_a_held_night(pair: Pair) -> None:
    change(pair)
    pair.set(hold_count=1)
    result = pair.run()
    assert result.outcome == "held"
    files, size_bytes = missing(pair)
    # What only moved is in the copy, under its old name; what was only touched may be other content: nobody has looked.
    moved = pair.at("2026-05 spring concert/04 gloria.wav").stat().st_size
    touched = pair.at("2026-05 spring concert/03 kyrie.wav").stat().st_size
    assert result.unprotected == (files - 1 + 1, size_bytes - moved + touched) == said(pair)
    pair.release()
    assert pair.run_well().unprotected == (0, 0) == missing(pair)


def test_no_room_for_any_of_it(pair: Pair) -> None:
    pair.write("2026-06 rehearsal/01 warm-up.wav", os.urandom(7000))
    pair.at("2026-05 spring concert/01 kyrie.wav").write_bytes(os.urandom(900))
    pair.set(keep_free=10**15)
    result = pair.run()
    assert result.outcome == "partial"
    assert result.unprotected == (2, 7900) == missing(pair) == said(pair)


@pytest.mark.parametrize("copied", [0, 1, 2])
def test_what_is_left_when_a_night_stops(pair: Pair, copied: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Some of what was to be copied is there, some is not: whatever was finished does not count."""
    monkeypatch.setattr(timing, "_TELL_EVERY_S", 0)  # each file is told, so that the night stops behind a known one
    for number in range(1, 5):
        pair.write(f"2026-06 rehearsal {number}/01 warm-up.wav", os.urandom(7000 + number))
    stop = Stop(Clock())

    class AfterSome(Unwatched):
        phase_name, left = "", copied

        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            self.phase_name = name
            self.advance()

        def advance(self, files: int = 0, size_bytes: int = 0) -> None:
            if self.phase_name == "copy":
                self.left -= bool(size_bytes)
                if self.left < (0 if copied else 1):
                    stop.request("asked to")

    result = pair.run(stop=stop, progress=AfterSome())
    assert result.outcome == "interrupted"
    assert missing(pair)[0] > 0
    assert result.unprotected == missing(pair) == said(pair)


def test_a_night_that_did_not_compare_does_not_know(pair: Pair) -> None:
    change(pair)
    stop = Stop(Clock())
    stop.request("asked to")
    result = pair.run(stop=stop)
    assert (result.outcome, result.unprotected, said(pair)) == ("interrupted", None, None)
