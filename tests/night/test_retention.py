"""When retired versions go: by age and by nights, for want of room, and never while something is open."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from harness import Pair, contents, explain, night_that_keeps_everything

from drives import MIB, DriveFactory, requires_root_and_loops
from nightferry.night import commit, side_by_side, space
from nightferry.tree.effects import Effects

TAKE = "2026-05 spring concert/01 kyrie.wav"


@pytest.fixture
def kept(make: Callable[..., Pair]) -> Pair:
    """One version was retired by run 2; kept for 3 days."""
    pair = make(keep_retired=timedelta(days=3), keep_retired_at_least=timedelta(days=1))
    pair.write(TAKE, b"first take")
    pair.write("members.txt", b"soprano")
    pair.write("programme.txt", b"Kyrie")
    pair.run_well()
    pair.write(TAKE, b"second take")
    night_that_keeps_everything(pair)
    assert _versions(pair) == [b"first take"]
    return pair


def _versions(pair: Pair) -> list[bytes]:
    """The contents below retired/, as they stand; and the manifest says the same."""
    found = sorted(
        (os.path.join(folder, name) for folder, _, files in os.walk(os.fsencode(pair.retired)) for name in files)
    )
    held = sorted(os.fsencode(pair.retired) + b"/" + each.past.held for each in pair.held().values())
    assert set(held) <= set(found)
    return [Path(os.fsdecode(path)).read_bytes() for path in found]


def _nights(pair: Pair, count: int, *, days: float = 1) -> list[int]:
    """Nights with nothing to copy; how many versions went in each."""
    gone = []
    for _ in range(count):
        pair.clock.pass_days(days)
        gone.append(pair.run_well().tally.expired)
    return gone


def test_a_version_goes_after_its_days_and_nights(kept: Pair) -> None:
    # Runs 3, 4, 5 start 1, 2, 3 days later; run 5 finds two completed nights since and waits, run 6 finds three.
    assert _nights(kept, 3) == [0, 0, 0]
    assert _versions(kept) == [b"first take"]
    assert _nights(kept, 1) == [1]
    assert _versions(kept) == []
    assert os.listdir(kept.retired) == []
    assert kept.differences() == []
    with kept.manifest() as manifest:
        (past,) = [each for each in manifest.past.of_run(2) if each.reason == "changed"]
        assert (past.held, past.expired) == (None, 6)


def test_rule_L_days_alone_expire_nothing_after_months_off(kept: Pair) -> None:
    """Nor do nights by hand after them: months off and a clock set months ahead look the same, and count for a day."""
    kept.clock.pass_days(120)
    assert _nights(kept, 4, days=0.01) == [0, 0, 0, 0]
    assert _versions(kept) == [b"first take"]
    assert _nights(kept, 2) == [0, 1]


def test_rule_L_nights_alone_expire_nothing(kept: Pair) -> None:
    """Many runs in one day are not many days."""
    assert _nights(kept, 8, days=0.01) == [0] * 8
    assert _versions(kept) == [b"first take"]


def test_rule_L_a_clock_that_jumps_ahead_expires_nothing_by_itself(kept: Pair) -> None:
    kept.clock.pass_days(3650)
    kept.run_well()
    kept.clock.pass_days(-3650 + 1)
    result = kept.run_well()
    assert result.tally.expired == 0
    assert _versions(kept) == [b"first take"]


@pytest.mark.parametrize("days", [365, 30_000])
def test_rule_L_after_a_night_of_a_future_date_expiry_goes_on_and_the_date_is_named(kept: Pair, days: int) -> None:
    _nights(kept, 2)
    kept.clock.pass_days(days)
    result = kept.run_well()  # night 5
    (note,) = result.notes
    assert "had no night for" in note
    kept.clock.pass_days(1 - days)
    result = kept.run_well()  # one of the two is wrong, and nobody knows which
    (note,) = result.notes
    assert "earlier than the date of night 5" in note
    assert result.tally.expired == 0
    kept.clock.pass_days(1)
    result = kept.run_well()  # two nights agree
    (note,) = result.notes
    assert note.startswith("Night 5 (")
    assert note.endswith("Nothing needs doing.")
    assert result.tally.expired == 1
    kept.clock.pass_days(1)
    assert kept.run_well().notes == []


def test_rule_L_a_clock_that_stays_ahead_keeps_each_version_for_its_days_and_nights(kept: Pair) -> None:
    """For as many nights as one likes: the days between them are right, and the jump counts for one."""
    kept.clock.pass_days(365)
    assert _nights(kept, 6, days=0.01) == [0] * 6
    assert _nights(kept, 2) == [0, 1]
    kept.write(TAKE, b"third take")
    assert _nights(kept, 1) == [0]
    assert _nights(kept, 1) == [0]
    kept.clock.pass_days(-367)
    assert _nights(kept, 5, days=0.01) == [0] * 5
    assert _versions(kept) == [b"second take"]
    assert _nights(kept, 2) == [0, 1], "three days and nights after it was retired"


def test_rule_L_a_clock_that_is_wrong_every_other_night_does_not_end_expiry(kept: Pair) -> None:
    """It wakes in 1970, and is set over the network before some of the nights only."""
    gone = []
    for night in range(8):
        away_days = kept.clock.now_s() / 86_400 - 1 if night % 2 else 0.0
        kept.clock.pass_days(1 - away_days)
        gone.append(kept.run_well().tally.expired)
        kept.clock.pass_days(away_days)
    assert sum(gone) == 1
    assert gone[:3] == [0, 0, 0]


def test_rule_L_a_clock_in_the_past_warns_and_expires_nothing(kept: Pair) -> None:
    _nights(kept, 3)
    kept.clock.pass_days(-400)
    kept.write(TAKE, b"third take")
    result = kept.run_well()
    assert result.tally.expired == 0
    assert any("clock" in note.lower() for note in result.notes)
    assert kept.differences() == []
    assert sorted(_versions(kept)) == [b"first take", b"second take"]
    assert kept.run().tally.expired == 0  # the clock stays wrong
    kept.clock.pass_days(401)
    result = kept.run_well()
    assert not any("clock" in note.lower() for note in result.notes)
    # Of the other version the dates say 401 days, since it was retired in the past; its nights say two.
    assert _versions(kept) == [b"second take"]


def test_rule_L_what_was_retired_at_a_wrong_date_is_kept_by_nights(kept: Pair) -> None:
    """Retired while the clock said 1970: old by date at once, so the nights have to count."""
    kept.clock.shift_s -= kept.clock.now_s() - 1000
    kept.write(TAKE, b"third take")
    kept.run_well()
    kept.clock.shift_s = 0
    assert _nights(kept, 3)[:2] == [0, 0]
    assert b"second take" in _versions(kept)


def test_nothing_goes_while_a_hold_is_open(kept: Pair) -> None:
    _nights(kept, 3)
    kept.set(hold_count=1)
    kept.at("members.txt").unlink()
    kept.at("programme.txt").unlink()
    for _ in range(4):
        kept.clock.pass_days(1)
        result = kept.run()
        assert (result.outcome, result.tally.expired) == ("held", 0)
    assert _versions(kept) == [b"first take"]
    kept.release()
    kept.clock.pass_days(1)
    kept.run_well()
    kept.clock.pass_days(1)
    kept.run_well()
    assert sorted(_versions(kept)) == [b"Kyrie", b"soprano"]


def test_nothing_goes_while_damage_is_open(kept: Pair) -> None:
    _nights(kept, 3)
    with kept.manifest(writable=True) as manifest:
        # Of a kind that no reading closes: content that is planted as decayed would read back right.
        manifest.runs.find_damage(TAKE.encode(), "secondary", "unlisted", "test", 5, kept.clock.now_s(), "planted")
    for _ in range(3):
        kept.clock.pass_days(1)
        result = kept.run()
        assert (result.state, result.tally.expired) == ("attention", 0)
    assert _versions(kept) == [b"first take"]
    with kept.manifest(writable=True) as manifest:
        manifest.runs.close_damage(TAKE.encode(), "secondary", 8, "accepted")
    kept.clock.pass_days(1)
    assert kept.run_well().tally.expired == 1
    assert _versions(kept) == []


def test_held_and_failed_nights_do_not_count(kept: Pair) -> None:
    kept.set(hold_count=1)
    for name in ("members.txt", "programme.txt"):
        kept.at(name).rename(kept.state_dir / name)
    for _ in range(6):
        kept.clock.pass_days(1)
        assert kept.run().outcome == "held"
    for name in ("members.txt", "programme.txt"):
        (kept.state_dir / name).rename(kept.at(name))
    kept.set(hold_count=None)
    kept.clock.pass_days(1)
    result = kept.run()
    assert (result.outcome, result.tally.expired) == ("complete", 0)
    assert _versions(kept) == [b"first take"]


def test_versions_go_oldest_first_and_each_in_its_time(kept: Pair) -> None:
    kept.clock.pass_days(1)
    kept.write(TAKE, b"third take")
    kept.run_well()  # run 3 retires the second take
    assert sorted(_versions(kept)) == [b"first take", b"second take"]
    assert _nights(kept, 2) == [0, 0]
    assert _nights(kept, 2) == [1, 1]
    assert _versions(kept) == []


# --- want of room


def _random(size_mib: float, seed: int) -> bytes:
    return os.urandom(int(size_mib * MIB)) if seed else b""


@pytest.fixture
def small(drives: DriveFactory, tmp_path: Path) -> Pair:
    """A secondary of 64 MiB (some 55 free) with a copy of 10 MiB."""
    if requires_root_and_loops.args[0]:
        pytest.skip(requires_root_and_loops.kwargs["reason"])
    pair = Pair(
        drives("ext4", 200 * MIB),
        drives("ext4", 64 * MIB, format_options=("-m", "0")),
        tmp_path / "state",
        keep_retired=timedelta(days=30),
        keep_retired_at_least=timedelta(days=2),
    )
    pair.write(TAKE, _random(10, 1))
    pair.write("members.txt", b"soprano")
    pair.run_well()
    return pair


def _free_bytes(pair: Pair) -> int:
    found = os.statvfs(pair.secondary)
    return found.f_bavail * found.f_frsize


def test_for_want_of_room_the_oldest_go_down_to_the_floor(small: Pair) -> None:
    for _ in range(3):  # retires 10 MiB each night, one day apart: 10 + 30 of 55 MiB
        small.clock.pass_days(1)
        small.write(TAKE, _random(10, 2))
        night_that_keeps_everything(small)
    assert len(_versions(small)) == 3
    small.clock.pass_days(1)
    small.write("2026-12 advent/large.wav", _random(20, 3))  # needs one or two of them
    result = small.run_well()
    assert 0 < result.tally.expired <= 2
    assert small.differences() == []
    runs = sorted(each.past.until for each in small.held().values())
    assert runs[-1] == 4, "the newest of the retired versions stays"
    assert len(_versions(small)) == 3 - result.tally.expired


@pytest.mark.parametrize("is_open", ["damage", "hold"])
def test_for_want_of_room_nothing_goes_while_damage_or_a_hold_is_open(small: Pair, is_open: str) -> None:
    """The night stays partial instead: what it cannot copy is on the primary still."""
    for _ in range(3):
        small.clock.pass_days(1)
        small.write(TAKE, _random(10, 2))
        night_that_keeps_everything(small)
    before = _versions(small)
    small.clock.pass_days(1)
    small.write("2026-12 advent/large.wav", _random(30, 3))
    if is_open == "damage":
        with small.manifest(writable=True) as manifest:
            manifest.runs.find_damage(b"stray", "secondary", "unlisted", "test", 4, small.clock.now_s(), "planted")
    else:
        small.set(hold_count=1)
        small.at("members.txt").unlink()
        small.at(TAKE).unlink()
    result = small.run()
    assert (result.outcome, result.tally.no_room) == ("held" if is_open == "hold" else "partial", 1)
    assert (result.tally.expired, _versions(small)) == (0, before)


def test_what_is_younger_than_the_floor_stays_and_the_night_is_partial(small: Pair) -> None:
    for _ in range(3):
        small.write(TAKE, _random(10, 2))
        night_that_keeps_everything(small)  # all within minutes
    before = _versions(small)
    small.write("2026-12 advent/large.wav", _random(25, 3))
    small.write("2026-12 advent/small.txt", b"small")
    result = small.run()
    assert (result.outcome, result.tally.expired, result.tally.no_room) == ("partial", 0, 1), explain(small, result)
    assert _versions(small) == before
    assert small.left_out(result.number) == {b"2026-12 advent/large.wav": "no room"}
    assert (small.copy / "2026-12 advent/small.txt").read_bytes() == b"small"
    assert not (small.copy / "2026-12 advent/large.wav").exists()


def test_a_night_that_cannot_fit_says_so_before_it_copies_and_takes_the_smallest_first(small: Pair) -> None:
    sizes = {"e.wav": 30, "a.wav": 20, "d.wav": 3, "b.wav": 2, "c.wav": 1}
    for name, size in sizes.items():
        small.write(f"2026-12 advent/{name}", _random(size, 4))
    events: list[tuple[str, object]] = []

    class Watching:
        def phase(self, name: str, files: int | None = None, size_bytes: int | None = None) -> None:
            events.append(("phase", name))

        def advance(self, files: int = 0, size_bytes: int = 0) -> None:
            pass

        def note(self, event: str, **details: object) -> None:
            events.append((event, details.get("text") or details.get("path")))

    result = small.run(progress=Watching())
    assert result.outcome == "partial", explain(small, result)
    (note,) = [note for note in result.notes if "fit" in note]
    assert events.index(("note", note)) < events.index(("phase", "copy"))
    copied = {path.name for path in (small.copy / "2026-12 advent").iterdir()}
    assert copied == {"a.wav", "b.wav", "c.wav", "d.wav"}
    assert result.tally.no_room == 1
    again = small.run()
    assert (again.outcome, again.tally.written_bytes) == ("partial", 0)
    small.at("2026-12 advent/e.wav").unlink()
    small.run_well()
    assert small.differences() == []


def test_keep_free_is_respected(small: Pair) -> None:
    small.set(keep_free=30 * MIB)
    for number in range(5):
        small.write(f"2026-12 advent/{number}.wav", _random(8, 5))
    result = small.run()
    assert result.outcome == "partial"
    assert 0 < result.tally.added < 5
    assert _free_bytes(small) >= 30 * MIB - MIB // 2  # the records of the night take some of it


def test_keep_free_is_respected_by_small_files_that_are_staged_by_others(
    small: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The room of those that are not written yet is asked for in between; what fits is copied, to the last file."""
    monkeypatch.setattr(space, "ROOM_EVERY_BYTES", MIB)
    monkeypatch.setattr(commit, "BATCH_INTENTS_LIMIT", 60)
    monkeypatch.setattr(side_by_side, "_processes", lambda files: min(2, files))
    for number in range(600):
        small.write(f"2026-12 advent/note {number:03}.txt", _random(60 / 1024, 5))
    small.clock.shift_s = 60.0  # listed some time after they were written
    keep_free = _free_bytes(small) - 18 * MIB
    small.set(keep_free=keep_free)
    result = small.run()
    assert result.outcome == "partial"
    assert result.tally.no_room + result.tally.added == 600
    assert keep_free - MIB // 2 <= _free_bytes(small) <= keep_free + MIB, "no more and hardly less than may be used"


def test_room_for_what_cannot_be_read_is_for_others(small: Pair) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        small.write(f"2026-12 advent/{name}", _random(10, 5))
    bad = {small.at(f"2026-12 advent/{name}").stat().st_ino for name in ("a.wav", "b.wav")}
    small.set(keep_free=_free_bytes(small) - 25 * MIB)

    class BadSectors(Effects):
        @staticmethod
        def preadv(fd: int, buffers: list[memoryview], offset: int) -> int:
            if os.fstat(fd).st_ino in bad:
                raise OSError(errno.EIO, os.strerror(errno.EIO))
            return os.preadv(fd, buffers, offset)

    result = small.run(effects=BadSectors())
    assert (result.outcome, result.tally.unreadable, result.tally.no_room) == ("partial", 2, 0), explain(small, result)
    assert (small.copy / "2026-12 advent/c.wav").exists()


def test_the_copy_is_never_sacrificed(small: Pair) -> None:
    """Want of room takes retired versions at most, whatever their age."""
    small.clock.pass_days(1)
    small.write(TAKE, _random(10, 2))
    night_that_keeps_everything(small)
    before = contents(small.copy)
    for _ in range(5):
        small.clock.pass_days(40)
        small.run_well()
    assert contents(small.copy) == before
    small.clock.pass_days(40)
    for number in range(8):
        small.write(f"2026-12 advent/{number}.wav", _random(12, 6))
    result = small.run()
    assert result.outcome == "partial"
    after = contents(small.copy)
    assert before.items() <= after.items()


def test_a_file_that_no_longer_fits_in_its_new_version_stays_in_its_old(small: Pair) -> None:
    before = contents(small.copy)
    small.write(TAKE, _random(60, 7))
    result = small.run()
    assert (result.outcome, result.tally.no_room) == ("partial", 1), explain(small, result)
    assert contents(small.copy) == before
    assert _versions(small) == []
    small.write(TAKE, b"short take")
    night_that_keeps_everything(small)
    assert small.differences() == []


def test_a_drive_without_free_inodes_is_partial(drives: DriveFactory, tmp_path: Path) -> None:
    other = drives("ext4", 16 * MIB, format_options=("-N", "256"))
    pair = Pair(drives("ext4", 32 * MIB), other, tmp_path / "state")
    for number in range(400):
        pair.write(f"voices/{number:03}.txt", b"%d" % number)
    result = pair.run()
    assert result.outcome == "partial", explain(pair, result)
    assert any("inodes" in note for note in result.notes)
    assert 0 < result.tally.added < 256
    assert result.tally.no_room + result.tally.added == 400
    for number in range(100, 400):
        pair.at(f"voices/{number:03}.txt").unlink()
    result = pair.run()
    assert result.outcome == "complete", explain(pair, result)
    assert pair.differences() == []
