"""Random months in which the state is lost, old or damaged, and nights are killed at any effect (rules B, E, K and N).

A record of each night is kept with the standard library alone: what the primary held when it was complete. After each
loss, and at the end, every recorded night is restored, from the state and from the secondary alone. It has to be what
the record says, to the last attribute; or, where seals were damaged too, to be called not known, with exit 1.

Each life comes from its seed and can be lived again: LIFE=17 lives that one, and says what happens in it.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from crash_world import different, fast_folder, look, primary_of
from harness import CARD, Pair

from effects_faults import KillingEffects, in_child
from nightferry.errors import NightferryError
from nightferry.manifest.manifest import FILE_NAME
from nightferry.night.context import Stop, Unwatched
from nightferry.recovery.restoring.opening import open_alone, open_configured
from nightferry.recovery.restoring.restore import Request, restore
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.tree.effects import Effects
from sweeps import LONG

LIVES = range(3000 if LONG else 8)
STEPS = 14
NAMES = ["kyrie.wav", "gloria.wav", "scans", "2026-05 concert", "notes", "\udcff\n"]
ONLY = os.environ.get("LIFE")


class Life:
    def __init__(self, seed: int, folder: Path) -> None:
        self.random = random.Random(seed)
        self.told: list[str] = []
        self.folder = folder
        self.pair = Pair(
            folder / "primary", folder / "secondary", folder / "state",
            keep_retired="900d", keep_retired_at_least="900d",
        )  # fmt: skip
        self.pair.write("always", "there")  # no night comes up empty, which would be a hold
        self.top = os.fsencode(self.pair.primary)
        self.record: dict[int, dict] = {}
        self.seals_damaged = False  # by now nights may be unknown
        self.images: list[Path] = []

    def tell(self, *words: object) -> None:
        self.told.append(" ".join(map(str, words)))
        if ONLY:
            print(self.told[-1], flush=True)

    # --- the primary

    def _all(self, kinds: str) -> list[bytes]:
        found = []
        for folder, folders, files in os.walk(self.top):
            for name in folders + files:
                path = os.path.join(folder, name)
                kind = "l" if os.path.islink(path) else "d" if os.path.isdir(path) else "f"
                if kind in kinds and name not in (os.fsencode(CARD), b"always"):
                    found.append(path)
        return sorted(found)

    def _any(self, kinds: str) -> bytes | None:
        found = self._all(kinds)
        return self.random.choice(found) if found else None

    def _free(self) -> bytes | None:
        folder = self.random.choice([self.top, *self._all("d")])
        path = folder + b"/" + os.fsencode(self.random.choice(NAMES))
        return None if os.path.lexists(path) or path.count(b"/") - self.top.count(b"/") > 3 else path

    def _content(self) -> bytes:
        choices = [b"", b"%d measures" % self.random.randrange(30), bytes([self.random.randrange(256)]) * 5000]
        return self.random.choice(choices)

    def create(self) -> None:
        if path := self._free():
            _write(path, self._content())

    def make_folder(self) -> None:
        if path := self._free():
            os.mkdir(path)

    def make_tree(self) -> None:
        if path := self._free():
            os.mkdir(path)
            for number in range(3):
                _write(b"%s/%d.wav" % (path, number), self._content())

    def write(self) -> None:
        if path := self._any("f"):
            _write(path, self._content())

    def save_anew(self) -> None:
        if path := self._any("f"):
            _write(path + b"~", self._content())
            os.rename(path + b"~", path)

    def rename(self) -> None:
        path, new = self._any("fdl"), self._free()
        if path and new and not (new + b"/").startswith(path + b"/"):
            os.rename(path, new)

    def rename_folder(self) -> None:
        path, new = self._any("d"), self._free()
        if path and new and not (new + b"/").startswith(path + b"/"):
            os.rename(path, new)

    def replace(self) -> None:
        path, new = self._any("f"), self._any("f")
        if path and new and path != new:
            os.rename(path, new)

    def swap(self) -> None:
        one, other = self._any("fd"), self._any("fd")
        if one and other and not any((a + b"/").startswith(b + b"/") for a, b in ((one, other), (other, one))):
            os.rename(one, self.top + b"/swap")
            os.rename(other, one)
            os.rename(self.top + b"/swap", other)

    def remove(self) -> None:
        if path := self._any("fl"):
            os.unlink(path)

    def remove_tree(self) -> None:
        if path := self._any("d"):
            shutil.rmtree(path)

    def retype(self) -> None:
        if path := self._any("fd"):
            if os.path.isdir(path):
                shutil.rmtree(path)
                _write(path, self._content())
            else:
                os.unlink(path)
                os.mkdir(path)
                _write(path + b"/inside", self._content())

    def symlink(self) -> None:
        if path := self._free():
            os.symlink(b"%d" % self.random.randrange(5), path)

    def chmod(self) -> None:
        if path := self._any("fd"):
            os.chmod(path, self.random.choice([0o755, 0o700, 0o750]))

    def date(self) -> None:
        if path := self._any("fd"):
            os.utime(path, (1_700_000_000, 1_700_000_000 + self.random.randrange(3)))

    CHANGES = (
        create, create, create, make_folder, make_tree, make_tree, write, write, save_anew, rename, rename,
        rename_folder, rename_folder, rename_folder, replace, swap, remove, remove_tree, retype, symlink, chmod, date,
    )  # fmt: skip

    # --- nights

    def change(self) -> None:
        for _ in range(self.random.randrange(1, 6)):
            change = self.random.choice(self.CHANGES)
            self.tell("change", change.__name__)
            change(self)

    def night(self, run: Callable[[], object] | None = None) -> None:
        if run is None:
            run = self.pair.run_well
        run()
        self.note_night()

    def note_night(self) -> None:
        with self.pair.manifest() as manifest:
            last = manifest.runs.last()
            assert last is not None
            assert last.outcome == "complete"
        self.tell("night", last.number)
        self.record[last.number] = primary_of(self.pair)
        self.pair.clock.pass_days(1)
        if self.random.random() < 0.3:
            image = self.folder / f"image {len(self.images)}"
            shutil.copytree(self.pair.state_dir, image)
            self.images.append(image)

    def killed_night(self) -> None:
        n, after = self.random.randrange(1, 140), self.random.random() < 0.5
        if in_child(lambda: self.pair.run(effects=KillingEffects(n, after=after))):
            self.note_night()
        else:
            self.tell("killed at", n, "after" if after else "before")
            self.pair.clock.pass_days(1)

    # --- losses of the state

    def lose(self) -> None:
        self.tell("state lost")
        shutil.rmtree(self.pair.state_dir)
        self.pair.pair()

    def corrupt(self) -> None:
        self.tell("state damaged")
        path = self.pair.state_dir / "recordings" / FILE_NAME
        path.with_name(path.name + "-wal").unlink(missing_ok=True)
        path.write_bytes(path.read_bytes()[:4096] + bytes(8192))
        self.night()

    def put_back(self) -> None:
        """An image of the system disk from an earlier night."""
        if not self.images:
            return
        image = self.random.choice(self.images)
        self.tell("state put back from", image.name)
        shutil.rmtree(self.pair.state_dir)
        shutil.copytree(image, self.pair.state_dir)
        try:
            result = self.pair.run()
        except NightferryError as error:
            self.tell("refused:", error)
            self.pair.pair()
        else:
            assert result.outcome == "complete"
            self.note_night()

    def damage_seal(self) -> None:
        """The newest seal cannot be used, and the state is lost."""
        newest, before = (self.pair.records / name for name in ("manifest.sqlite3", "manifest.previous.sqlite3"))
        if newest.exists() and before.exists() and not self.seals_damaged:
            self.tell("newest seal damaged")
            self.seals_damaged = True
            newest.write_bytes(b"damaged")
            self.lose()

    LOSSES = (lose, lose, corrupt, put_back, damage_seal)

    # --- what is asked

    def check(self) -> None:
        for alone in (False, True):
            for number, wanted in self.record.items():
                self._check(number, wanted, alone=alone)

    def _check(self, number: int, wanted: dict, *, alone: bool) -> None:
        try:
            result, found = self._restored(number, alone=alone)
        except NightferryError:
            assert self.seals_damaged, f"night {number}, alone: {alone}"
            return
        if result.unknown:
            assert self.seals_damaged, f"night {number} is not known, alone: {alone}"
            assert result.exit_code == 1
            return
        unlike = different(wanted, found)
        assert unlike == [], f"night {number}, alone: {alone}: {[each.path for each in result.bad.kept]} {result.notes}"
        assert result.bad.count == 0

    def _restored(self, number: int, *, alone: bool) -> tuple[RestoreResult, dict]:
        into = self.folder / "restored"
        shutil.rmtree(os.fsencode(into), ignore_errors=True)
        effects, pair = Effects(), self.pair
        opened = (
            open_alone(pair.secondary, effects, pair=None)
            if alone
            else open_configured(pair.settings, pair.state_dir, effects)
        )
        with opened as source:
            request = Request(into, as_of=str(number))
            result = restore(source, request, Unwatched(), effects, pair.clock, Stop(pair.clock))
        return result, look(into)

    def live(self) -> None:
        self.night()
        for _ in range(STEPS):
            self.change()
            chance = self.random.random()
            if chance < 0.45:
                self.night()
            elif chance < 0.75:
                self.killed_night()
            if self.random.random() < 0.3:
                self.random.choice(self.LOSSES)(self)
                self.check()
        self.night()
        self.check()


def _write(path: bytes, content: bytes) -> None:
    with open(path, "wb") as file:
        file.write(content)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    found, remove = fast_folder(tmp_path)
    yield found
    remove()


@pytest.mark.parametrize("seed", [int(ONLY)] if ONLY else LIVES)
def test_B_E_K_N_every_night_of_a_life_stays_what_it_was(seed: int, folder: Path) -> None:
    life = Life(seed, folder)
    try:
        life.live()
    except BaseException:
        print("\n".join(life.told))
        raise
