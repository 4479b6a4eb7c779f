"""Twenty nights of random changes; then every one of them is restored and compared with a plain `cp -a` of that day.

And once more when retention has let a part go: a night that is kept whole comes back whole, and of the others exactly
what is named as gone is missing.

Another seed: NIGHTS_SEED=7 python -m pytest tests/recovery/test_twenty_nights.py
"""

from __future__ import annotations

import os
import random
from datetime import UTC, datetime
from pathlib import Path

from restore_world import names, restored, unlike
from world import World

from drives import DriveFactory, run
from nightferry.manifest.nights import nights
from trees import tree_with_everything

NIGHTS = 20
SEED = int(os.environ.get("NIGHTS_SEED", "2026"))


class Changes:
    """Somebody at work on a drive."""

    def __init__(self, top: Path, numbers: random.Random) -> None:
        self._top, self._numbers, self._count = top, numbers, 0

    def day(self) -> None:
        for _ in range(self._numbers.randrange(0, 9)):
            change = self._numbers.choice(
                [self._write, self._write, self._new, self._move, self._move_folder, self._remove, self._link,
                 self._symlink, self._mode, self._attribute, self._touch, self._remove_folder]
            )  # fmt: skip
            change()

    def _paths(self, *, folders: bool) -> list[Path]:
        found = []
        for folder, below, files in os.walk(self._top):
            inside = [Path(folder) / name for name in (below if folders else files)]
            found += [path for path in inside if path.name not in ("lost+found", ".nightferry-volume.toml")]
        return sorted(path for path in found if folders or (not path.is_symlink() and path.is_file()))

    def _file(self) -> Path:
        return self._numbers.choice(self._paths(folders=False) or [self._new()])

    def _folder(self) -> Path:
        return self._numbers.choice([self._top, *self._paths(folders=True)])

    def _name(self) -> str:
        self._count += 1
        return f"{self._count:03} {self._numbers.choice(['kyrie', 'gloria', 'credo'])}"

    def _new(self) -> Path:
        folder = self._folder()
        if self._numbers.random() < 0.3:
            folder = folder / self._name()
            folder.mkdir()
        path = folder / f"{self._name()}.wav"
        path.write_bytes(self._content())
        return path

    def _content(self) -> bytes:
        """Of its own, and not noise, which nights take for encryption."""
        return self._numbers.randbytes(8).hex().encode() * self._numbers.randrange(0, 600)

    def _write(self) -> None:
        self._file().write_bytes(self._content())

    def _move(self) -> None:
        self._file().rename(self._folder() / self._name())

    def _move_folder(self) -> None:
        old, new = self._folder(), self._folder()
        if old != self._top and not new.is_relative_to(old):
            old.rename(new / self._name())

    def _remove(self) -> None:
        self._file().unlink()

    def _remove_folder(self) -> None:
        folder = self._folder()
        if folder != self._top and self._numbers.random() < 0.3:
            run("rm", "-r", folder)

    def _link(self) -> None:
        os.link(self._file(), self._folder() / self._name())

    def _symlink(self) -> None:
        (self._folder() / self._name()).symlink_to(self._name())

    def _mode(self) -> None:
        path = self._numbers.choice([self._file(), self._folder()])
        os.chmod(path, self._numbers.choice([0o640, 0o755, 0o700, 0o2770]))
        os.chown(path, self._numbers.randrange(3), self._numbers.randrange(3))

    def _attribute(self) -> None:
        os.setxattr(self._file(), "user.note", self._numbers.randbytes(12))

    def _touch(self) -> None:
        ns = self._numbers.randrange(10**18, 2 * 10**18)
        os.utime(self._folder(), ns=(ns, ns))


def test_every_night_comes_back_as_it_was(drives: DriveFactory, tmp_path: Path) -> None:
    world = World.on_drives(drives, tmp_path)
    pair = world.pair
    for path in tree_with_everything(pair.primary):
        os.unlink(os.fsencode(pair.primary) + b"/" + path)
    changes = Changes(pair.primary, random.Random(SEED))
    dates = {}
    for night in range(1, NIGHTS + 1):
        pair.run_well()
        dates[night] = datetime.fromtimestamp(pair.clock.now_s(), UTC).astimezone()
        run("cp", "-a", pair.primary, tmp_path / f"record {night}")
        pair.clock.pass_days(1)
        changes.day()
    for night in range(1, NIGHTS + 1):
        # by its number, by its date, by a moment before the next one
        named = (str(night), f"{dates[night]:%Y-%m-%d}", f"{dates[night]:%Y-%m-%d %H:%M%z}")[night % 3]
        into = tmp_path / f"restored {night}"
        result = restored(pair, into, as_of=named)
        assert (result.exit_code, result.night) == (0, night), (SEED, night, result)
        assert unlike(tmp_path / f"record {night}", into) == [], (SEED, night)
        run("rm", "-r", into)
    alone = restored(pair, tmp_path / "alone", as_of="7", alone=True)
    assert alone.exit_code == 0
    assert unlike(tmp_path / "record 7", tmp_path / "alone") == [], SEED

    pair.set(keep_retired="6d", keep_retired_at_least="6d")
    pair.clock.pass_days(1)
    assert pair.run_well().tally.expired > 0, SEED
    with pair.manifest() as manifest:
        lost = {state.number: state.lost_files for state in nights(manifest)}
    whole = [night for night in dates if lost[night] == 0]
    assert whole and len(whole) < NIGHTS, (SEED, lost)
    for night in dates:
        record, into = tmp_path / f"record {night}", tmp_path / f"after {night}"
        result = restored(pair, into, as_of=str(night))
        assert result.bad.count <= lost[night], (SEED, night, names(result.bad))
        assert result.not_restored == result.bad.count, (SEED, night, result)
        without(record, names(result.bad))
        assert unlike(record, into) == [], (SEED, night)
        run("rm", "-r", into)


def without(record: Path, gone: list[bytes]) -> None:
    """Removes names from a record, whose folders keep their times."""
    for path in gone:
        name = os.fsencode(record) + b"/" + path
        before = os.stat(os.path.dirname(name))
        os.unlink(name)
        os.utime(os.path.dirname(name), ns=(before.st_atime_ns, before.st_mtime_ns))
