"""A night that would remove or replace too much stops short of it, until a person has released it."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable

import pytest
from harness import Pair, contents, explain, footprint, night_that_keeps_everything

from nightferry.night.context import Stop, Unwatched

PARTS = 60


def _fill(pair: Pair, count: int = PARTS) -> None:
    for number in range(count):
        pair.write(f"2026-05 spring concert/{number:03} part.wav", b"RIFF take %d\n" % number * 200)
    pair.run_well()


def _part(pair: Pair, number: int) -> str:
    return f"2026-05 spring concert/{number:03} part.wav"


def _held_night(pair: Pair) -> None:
    """A night that has to be held: nothing of the copy goes or changes, what is new is copied."""
    before, retired = contents(pair.copy), contents(pair.retired)
    result = pair.run()
    assert result.outcome == "held", explain(pair, result)
    assert (result.state, result.exit_code) == ("attention", 1)
    assert result.hold_reasons
    assert (result.tally.removed, result.tally.changed, result.tally.moved, result.tally.expired) == (0, 0, 0, 0)
    assert result.tally.withheld > 0
    after = contents(pair.copy)
    assert before.items() <= after.items()
    assert contents(pair.retired) == retired
    wanted = contents(pair.primary)
    assert {path: digest for path, digest in after.items() if path not in before} == {
        path: digest for path, digest in wanted.items() if path not in before and path != b".nightferry-volume.toml"
    }


def test_a_share_of_removals(make: Callable[..., Pair]) -> None:
    pair = make(hold_share=0.2)
    _fill(pair)
    for number in range(12):  # 20% of 60: at the limit, not over it
        pair.at(_part(pair, number)).unlink()
    night_that_keeps_everything(pair)
    for number in range(12, 22):  # 10 of 48 is 20.8%
        pair.at(_part(pair, number)).unlink()
    pair.write("2026-12 advent/new.wav", b"new")
    _held_night(pair)
    assert (pair.copy / "2026-12 advent/new.wav").read_bytes() == b"new"


def test_a_share_of_replacements(make: Callable[..., Pair]) -> None:
    pair = make(hold_share=0.2)
    _fill(pair)
    for number in range(13):
        pair.write(_part(pair, number), b"RIFF another take")
    _held_night(pair)


def test_removals_and_replacements_count_together(make: Callable[..., Pair]) -> None:
    pair = make(hold_share=0.2)
    _fill(pair)
    for number in range(7):
        pair.write(_part(pair, number), b"RIFF another take")
        pair.at(_part(pair, number + 10)).unlink()
    _held_night(pair)


def test_a_count(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    for number in range(4):
        pair.at(_part(pair, number)).unlink()
    night_that_keeps_everything(pair)
    for number in range(10, 15):
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)


def test_no_limit_holds_nothing(make: Callable[..., Pair]) -> None:
    pair = make()
    _fill(pair)
    for number in range(PARTS - 1):
        pair.at(_part(pair, number)).unlink()
    night_that_keeps_everything(pair)


def test_an_empty_primary_is_held_whatever_the_limits(make: Callable[..., Pair]) -> None:
    pair = make()
    _fill(pair, 3)
    shutil.rmtree(pair.primary / "2026-05 spring concert")
    _held_night(pair)
    assert any("empty" in reason for reason in pair.run().hold_reasons)


def test_moves_and_metadata_are_no_reason_to_hold(make: Callable[..., Pair]) -> None:
    pair = make(hold_share=0.05, hold_count=3)
    _fill(pair)
    pair.at("2026-05 spring concert").rename(pair.at("concerts"))
    for number in range(PARTS):
        pair.at(f"concerts/{number:03} part.wav").chmod(0o600)
    (pair.primary / "elsewhere").mkdir()
    for number in range(20):
        pair.at(f"concerts/{number:03} part.wav").rename(pair.at(f"elsewhere/{number}.wav"))
    result = night_that_keeps_everything(pair)
    assert result.tally.written_bytes == 0
    assert pair.differences() == []


def test_files_with_a_new_date_count_as_replaced_until_they_are_read(make: Callable[..., Pair]) -> None:
    """Every date changed at once is worth a question too; once released, nothing is displaced."""
    pair = make(hold_share=0.05, hold_count=3)
    _fill(pair)
    for number in range(PARTS):
        os.utime(pair.at(_part(pair, number)), ns=(5, 1_700_000_000_000_000_000 + number))
    _held_night(pair)
    pair.release()
    result = night_that_keeps_everything(pair)
    assert (result.tally.changed, result.tally.metadata) == (0, PARTS)
    assert pair.differences() == []
    assert contents(pair.retired) == {}


def _noise(number: int) -> bytes:
    return random.Random(number).randbytes(4096)


def test_files_encrypted_in_place_are_held(make: Callable[..., Pair]) -> None:
    pair = make()
    _fill(pair)
    for number in range(20):
        pair.write(_part(pair, number), _noise(number))
    _held_night(pair)
    assert any("noise" in reason for reason in pair.run().hold_reasons)


def test_files_encrypted_under_a_new_ending_are_held(make: Callable[..., Pair]) -> None:
    pair = make()
    _fill(pair)
    for number in range(20):
        pair.write(_part(pair, number) + ".locked", _noise(number))
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)
    assert any("ending" in reason for reason in pair.run().hold_reasons)


def test_files_renamed_to_a_new_ending_and_written_over_are_held(make: Callable[..., Pair]) -> None:
    """The same inode: the old name is gone and the new one has other content."""
    pair = make()
    _fill(pair)
    for number in range(20):
        pair.at(_part(pair, number)).rename(pair.at(_part(pair, number) + ".locked"))
        pair.write(_part(pair, number) + ".locked", _noise(number))
    _held_night(pair)


@pytest.mark.parametrize("reorder", [False, True])
def test_a_season_of_edits_is_no_encryption(make: Callable[..., Pair], reorder: bool) -> None:
    """Edited recordings keep the mark they begin with; converted ones get a new ending, some at a time."""
    pair = make()
    _fill(pair)
    for number in range(20):
        pair.write(_part(pair, number), b"RIFF\x00\x00\x00\x01" + _noise(number) if reorder else b"RIFF take two" * 500)
    night_that_keeps_everything(pair)
    assert pair.differences() == []


def test_a_held_night_is_held_again_until_it_is_released(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    pair.write("first.wav", b"first")
    _held_night(pair)
    pair.write("second.wav", b"second")
    _held_night(pair)
    pair.release()
    result = night_that_keeps_everything(pair)
    assert result.tally.removed == 10
    assert pair.differences() == []
    pair.run_quiet()
    for number in range(20, 30):  # the release is used up
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)


def test_a_hold_stays_when_its_marks_are_gone(make: Callable[..., Pair]) -> None:
    """The files under the new ending were copied by the held night, so that the next one finds none of them new."""
    pair = make()
    _fill(pair)
    for number in range(20):
        pair.write(_part(pair, number) + ".locked", _noise(number))
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)
    _held_night(pair)
    for number in range(20):
        pair.write(_part(pair, number), (pair.copy / _part(pair, number)).read_bytes())
        pair.at(_part(pair, number) + ".locked").unlink()
    pair.release()
    result = night_that_keeps_everything(pair)
    assert (result.tally.removed, result.tally.changed) == (20, 0)
    assert pair.differences() == []


def test_a_release_covers_what_was_held_and_not_much_more(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)
    pair.release()
    for number in range(10, 15):  # five more than was held; any night allows four
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)
    pair.release()
    for number in range(15, 19):  # four more
        pair.at(_part(pair, number)).unlink()
    result = night_that_keeps_everything(pair)
    assert result.tally.removed == 19


def test_a_hold_is_over_when_its_cause_is_gone(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    pair.at("2026-05 spring concert").rename(pair.state_dir / "away")  # a cable that was loose
    _held_night(pair)
    (pair.state_dir / "away").rename(pair.at("2026-05 spring concert"))
    pair.run_well()
    pair.run_quiet()
    assert pair.differences() == []
    assert contents(pair.retired) == {}


def test_rule_E_what_came_in_a_held_night_and_went_again_leaves_the_copy(make: Callable[..., Pair]) -> None:
    """The folder then looks as it did after the last whole night, and is not what the copy has."""
    pair = make(hold_count=4)
    _fill(pair)
    pair.write("here today.txt", b"here")
    before = os.stat(pair.primary)
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)
    pair.at("here today.txt").unlink()
    os.utime(pair.primary, ns=(before.st_atime_ns, before.st_mtime_ns))
    pair.release()
    result = night_that_keeps_everything(pair)
    assert result.tally.removed == 11
    assert pair.differences() == []


def test_rule_E_what_came_in_a_night_cut_short_and_went_again_leaves_the_copy(pair: Pair) -> None:
    pair.write("members/altos.txt", b"altos")
    pair.write("programmes/old.txt", b"old")
    pair.run_well()
    pair.write("members/here today.txt", b"here")
    pair.at("programmes/old.txt").unlink()
    stop = Stop(pair.clock)

    class StopsLate(Unwatched):
        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            if name == "retire":
                stop.request("the power goes at two")

    assert pair.run(stop=stop, progress=StopsLate()).outcome == "interrupted"
    assert (pair.copy / "members/here today.txt").exists()
    pair.at("members/here today.txt").unlink()
    pair.run_well()
    assert pair.differences() == []


def test_a_hold_is_over_when_the_limit_was_raised(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    _held_night(pair)
    pair.set(hold_count=9)
    _held_night(pair)
    (reason,) = pair.run().hold_reasons
    assert "the limit is 9 (hold_count)" in reason  # by the limit of tonight, not by that of the first night
    pair.set(hold_count=10)
    result = night_that_keeps_everything(pair)
    assert result.tally.removed == 10
    assert pair.differences() == []
    with pair.manifest() as manifest:
        assert manifest.runs.open_hold() is None
    pair.run_quiet()


def test_new_files_do_not_end_a_hold_night_by_night(make: Callable[..., Pair]) -> None:
    pair = make(hold_share=0.2)
    _fill(pair)
    for number in range(13):  # of 60: more than a fifth
        pair.at(_part(pair, number)).unlink()
    for night in range(4):
        for number in range(5):
            pair.write(f"2026-12 advent/{night} {number}.wav", b"RIFF new")
        _held_night(pair)


def test_metadata_waits_on_a_held_night_too(make: Callable[..., Pair]) -> None:
    """A change of mode or owner of everything replaces what the copy says of it, as much as a change of content."""
    pair = make(hold_count=4)
    _fill(pair)
    pair.write("members/altos.txt", b"altos")
    pair.run_well()
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    for number in range(20, 40):
        pair.at(_part(pair, number)).chmod(0o600)
        os.chown(pair.at(_part(pair, number)), 1234, 2345)
    pair.at("members").chmod(0o700)
    before = {line for line in footprint(pair.copy)[0].split(b"\n\0") if line}
    result = pair.run()
    assert (result.outcome, result.tally.metadata, result.tally.folders_metadata) == ("held", 0, 0)
    assert result.tally.withheld == 10 + 20 + 1
    assert {line for line in footprint(pair.copy)[0].split(b"\n\0") if line} == before
    with pair.manifest() as manifest:
        assert manifest.entries.find(_part(pair, 20).encode()).stat.mode == 0o644
    pair.release()
    result = night_that_keeps_everything(pair)
    assert (result.tally.metadata, result.tally.folders_metadata) == (20, 1)
    assert pair.differences() == []
    pair.run_quiet()


def test_a_new_file_on_a_held_night_is_copied_with_its_metadata(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    pair.write("brand new/first.wav", b"new").chmod(0o600)
    pair.at("brand new").chmod(0o700)
    pair.run()
    assert (pair.copy / "brand new/first.wav").stat().st_mode & 0o777 == 0o600
    assert (pair.copy / "brand new").stat().st_mode & 0o777 == 0o700


def test_links_that_a_held_night_copied_apart_are_joined_later(make: Callable[..., Pair]) -> None:
    """The old name of a renamed file is held back, a new link to it is copied by itself: then both are put together."""
    pair = make(hold_count=4)
    _fill(pair)
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    pair.at(_part(pair, 20)).rename(pair.at("kyrie, final.wav"))
    os.link(pair.at("kyrie, final.wav"), pair.at("best of.wav"))
    pair.run()
    pair.at("kyrie, final.wav").rename(pair.at("kyrie, really final.wav"))
    pair.release()
    night_that_keeps_everything(pair)
    assert pair.differences() == []
    assert pair.at("best of.wav").stat().st_nlink == 2
    pair.run_quiet()


def test_a_held_night_leaves_kinds_folders_and_links_alone(make: Callable[..., Pair]) -> None:
    pair = make(hold_count=4)
    _fill(pair)
    pair.write("members/altos.txt", b"altos")
    os.link(pair.at("members/altos.txt"), pair.at("members/linked.txt"))
    pair.at("members/newest").symlink_to("altos.txt")
    pair.run_well()
    for number in range(10):
        pair.at(_part(pair, number)).unlink()
    pair.at("members/newest").unlink()
    pair.at("members/newest").mkdir()  # symlink to folder
    pair.write("members/newest/inside.txt", b"inside")
    pair.at("members").rename(pair.at("people"))
    pair.write("people/linked.txt", b"changed through a link")
    pair.write("brand new/file.wav", b"new")
    before = contents(pair.copy)
    result = pair.run()
    assert result.outcome == "held"
    after = contents(pair.copy)
    assert before.items() <= after.items()
    assert set(after) - set(before) == {b"brand new/file.wav"}
    pair.release()
    night_that_keeps_everything(pair)
    assert pair.differences() == []
    pair.run_quiet()


def test_rule_B_a_first_night_is_never_held(make: Callable[..., Pair]) -> None:
    pair = make(hold_share=0.01, hold_count=1)
    _fill(pair)
    assert pair.differences() == []
