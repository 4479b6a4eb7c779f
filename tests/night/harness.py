"""Whole nights for tests: a pair made of two drives or two folders, runs over it, and what they left on the secondary.

    pair = Pair(primary, secondary, state_dir, hold_count=3)
    pair.write("2026-05 spring concert/01 kyrie.wav", b"...")
    result = pair.run()
    assert pair.differences() == []

What a run left is looked at by ordinary means (compare.py, the files below ``retired/``); the manifest is opened
read-only and only for what nothing else can tell.
"""

from __future__ import annotations

import ast
import hashlib
import os
import re
import stat
import subprocess
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

from compare import differences
from drives import Drive, run
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Entry, Past
from nightferry.night.context import Clock, Progress, Stop, Unwatched
from nightferry.night.pairing import make_pair
from nightferry.night.run import Result, run_night
from nightferry.recovery.opening import open_pair
from nightferry.recovery.session import Session
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects

CARD = ".nightferry-volume.toml"
OWN_NAMES = (CARD, "lost+found")
DAY_S = 86_400.0
# Plain settings for tests: no waiting, no room kept free, no limit to what a night may remove, no rehearsals.
QUIET = {
    "settle_quiet": timedelta(0), "keep_free": 0, "hold_share": None, "hold_count": None, "exclude": (),
    "rehearse_share": 0.0,
}  # fmt: skip
# Counters of a tally that say something was done; the rest count what was looked at.
NOTHING_DONE = dict.fromkeys(
    (
        "added", "changed", "moved", "removed", "metadata", "folders_added", "folders_moved", "folders_removed",
        "folders_metadata", "linked", "read_bytes", "written_bytes", "read_back_files", "read_back_bytes", "expired",
        "finished_after_crash", "withheld", "damage", "no_room", "unreadable", "unsettled",
    ),
    0,
)  # fmt: skip


class MovedClock(Clock):
    """The real clock, shifted by what a test says."""

    def __init__(self) -> None:
        self.shift_s = 0.0

    def now_s(self) -> float:
        return super().now_s() + self.shift_s

    def pass_days(self, days: float) -> None:
        self.shift_s += days * DAY_S


class Held:
    """A version below ``retired/``: its row in the manifest and the path of its content."""

    def __init__(self, past: Past, path: bytes) -> None:
        self.past = past
        self.path = path

    @property
    def content(self) -> bytes:
        """The bytes of a file, the target of a symlink."""
        return content_of(self.path)


class Pair:
    """A pair that was just made. ``primary`` and ``secondary`` are drives, or folders (made where missing)."""

    def __init__(
        self,
        primary: Drive | Path,
        secondary: Drive | Path,
        state_dir: Path,
        *,
        paired: bool = True,
        **settings: object,
    ) -> None:
        self.primary, self.secondary = (_root(each) for each in (primary, secondary))
        self.state_dir = state_dir
        self.clock = MovedClock()
        on_drives = isinstance(primary, Drive) and isinstance(secondary, Drive)
        given = {"name": "recordings", "require_mount": on_drives, **QUIET, **settings}
        self.settings = PairSettings(primary=self.primary, secondary=self.secondary, **given)
        if paired:
            self.pair()

    def pair(self) -> object:
        return make_pair(self.settings, self.state_dir, lambda _: True)

    def set(self, **settings: object) -> None:
        """Changes settings, as an edit of the configuration between two nights."""
        self.settings = PairSettings(**{**self.settings.model_dump(), **settings})

    def run(
        self,
        *,
        effects: Effects | None = None,
        stop: Stop | None = None,
        progress: Progress | None = None,
        clock: Clock | None = None,
        busy: tuple[bytes, ...] = (),
    ) -> Result:
        return run_night(
            self.settings,
            self.state_dir,
            progress or Unwatched(),
            effects=effects,
            clock=clock or self.clock,
            stop=stop,
            busy=busy,
        )

    def run_well(self, **given: object) -> Result:
        """A night that has to be complete; says what it found where it was not."""
        result = self.run(**given)
        assert result.outcome == "complete", explain(self, result)
        return result

    def run_quiet(self) -> Result:
        """A night with nothing to do, which has to do nothing."""
        result = self.run_well()
        done = {name: getattr(result.tally, name) for name in NOTHING_DONE}
        assert done == NOTHING_DONE
        return result

    # --- the primary

    def at(self, path: str) -> Path:
        return self.primary / path

    def write(self, path: str, content: bytes | str) -> Path:
        file = self.primary / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content.encode() if isinstance(content, str) else content)
        return file

    # --- the secondary

    @property
    def copy(self) -> Path:
        return self.secondary / "copy"

    @property
    def retired(self) -> Path:
        return self.secondary / "retired"

    @property
    def records(self) -> Path:
        return self.secondary / "records"

    def differences(self, **flags: object) -> list[str]:
        """Between the primary and the copy; sockets, FIFOs and devices do not count.

        A file of the copy may share its inode with versions below ``retired/``: such names are not links of the copy.
        """
        found = differences(self.primary, self.copy, **{"exclude": OWN_NAMES, "special": False, **flags})
        shared = Counter(os.lstat(os.fsencode(self.retired) + b"/" + path).st_ino for path in contents(self.retired))
        return [line for line in found if not self._is_shared(line, shared)]

    def _is_shared(self, line: str, shared: Counter[int]) -> bool:
        says = re.fullmatch(r"(b'.*'|b\".*\"): links b'(\d+)' is b'(\d+)'", line)
        if says is None:
            return False
        inode = os.lstat(os.fsencode(self.copy) + b"/" + ast.literal_eval(says[1])).st_ino
        return int(says[2]) + shared[inode] == int(says[3])

    def staging(self) -> list[str]:
        return os.listdir(self.secondary / "staging")

    # --- the manifest

    @contextmanager
    def manifest(self, *, writable: bool = False) -> Iterator[Manifest]:
        opened = Manifest.open(self.state_dir / self.settings.name / FILE_NAME, Effects(), writable=writable)
        try:
            yield opened
        finally:
            opened.close()

    def entries(self) -> dict[bytes, Entry]:
        with self.manifest() as manifest:
            return dict(manifest.entries.below(1, b""))

    def held(self, run: int | None = None) -> dict[bytes, Held]:
        """What is kept, by its path as it was: of one run, or of all (then the newest of each path)."""
        with self.manifest() as manifest:
            found = {}
            for past in list(manifest.past.held_until(10**9)):
                if run is None or past.until == run:
                    path = manifest.past.path_as_of(past.parent, past.name, past.until - 1)
                    found[path] = Held(past, os.fsencode(self.retired) + b"/" + past.held)
            return found

    def release(self) -> None:
        """What a person does with `nightferry release`."""
        with self.manifest(writable=True) as manifest:
            hold = manifest.runs.open_hold()
            assert hold is not None, "there is no hold to release"
            manifest.runs.release(hold.run, self.clock.now_s())

    def accept_all(self) -> None:
        """What a person does with `nightferry mend --accept`."""
        with open_pair(self.settings, self.state_dir, "mend", Effects()) as opened:
            session = Session(opened, self.clock, lambda: False)
            for looked in list(session.look(session.chosen([]))):
                assert session.act(looked, "accept", None).done

    def left_out(self, run: int) -> dict[bytes, str]:
        """Path and kind of what a run did not copy."""
        with self.manifest() as manifest:
            return {each.path: each.kind for each in manifest.runs.left_out(run)}


def _root(given: Drive | Path) -> Path:
    if isinstance(given, Drive):
        return given.root
    given.mkdir(parents=True, exist_ok=True)
    return given


def explain(pair: Pair, result: Result) -> str:
    done = {name: value for name, value in vars(result.tally).items() if value}
    with pair.manifest() as manifest:
        left_out = [tuple(each) for each in manifest.runs.left_out(result.number)][:20]
    return f"{result.outcome}: {result.failure} {result.hold_reasons} {result.notes} {done} {left_out}"


def content_of(path: bytes) -> bytes:
    if os.path.islink(path):
        return os.readlink(path)
    with open(path, "rb") as file:
        return file.read()


def contents(root: Path) -> dict[bytes, bytes]:
    """Every file and symlink below a folder: relative path -> SHA-256 of its content or target, with its kind."""
    found = {}
    top = os.fsencode(root)
    for folder, folders, files in os.walk(top):
        for name in [*files, *folders]:
            path = os.path.join(folder, name)
            kind = stat.S_IFMT(os.lstat(path).st_mode)
            if kind in (stat.S_IFREG, stat.S_IFLNK):
                digest = hashlib.sha256(content_of(path)).digest()
                found[path.removeprefix(top + b"/")] = (b"l" if kind == stat.S_IFLNK else b"f") + digest
    return found


def night_that_keeps_everything(pair: Pair, night: Callable[[], Result] | None = None) -> Result:
    """Rule B, looked at from outside: runs a night and checks that no content left the secondary by it.

    Whatever stood at a path of the copy before stands in the copy still, or below ``retired/`` where the manifest
    says; and what stood below ``retired/`` stands there as it did.
    """
    copy_before, retired_before = contents(pair.copy), contents(pair.retired)
    result = (night or pair.run_well)()
    copy_after, retired_after = contents(pair.copy), contents(pair.retired)
    assert retired_before.items() <= retired_after.items()
    new = {path: digest for path, digest in retired_after.items() if path not in retired_before}
    held = pair.held(result.number)
    said = {each.past.held for each in held.values()}
    assert said == set(new), f"the manifest holds {said}, below retired/ stands {set(new)}"
    anywhere = set(copy_after.values())
    for path, digest in copy_before.items():
        if copy_after.get(path) == digest:
            continue
        if path in held:
            assert new[held[path].past.held] == digest, f"{path!r}: other content than the copy had is held"
        else:
            assert digest in anywhere, f"{path!r}: its content is neither in the copy nor held"
    with pair.manifest() as manifest:
        kept = set(manifest.past.all_held())
    assert kept == set(retired_after), "the manifest and retired/ do not say the same"
    assert pair.staging() == []
    return result


def footprint(*roots: Path) -> list[bytes]:
    """What ``find`` says of everything: names, inodes, sizes, modes, owners, times, links. Any write shows in it."""
    form = r"%p\0%i\0%y\0%s\0%m\0%U\0%G\0%T@\0%C@\0%n\0%l\n\0"
    return [run("find", "-P", root, "-printf", form) for root in roots]


def checksum_tool(pair: Pair, tool: str, name: str) -> subprocess.CompletedProcess[bytes]:
    """A list checked from inside ``copy/``, as anybody would who has found the drive."""
    return subprocess.run(
        [tool, "-c", f"../records/{name}"], cwd=pair.copy, capture_output=True, timeout=300, check=False
    )


def big_tree(root: Path, at_least: int = 30_000) -> int:
    """A real tree: folders of /usr/share and of Python, as ``cp -a`` copies them, those with many small files first.

    Returns how many entries it has.
    """
    root.mkdir(exist_ok=True)
    measured = []
    for top in (Path("/usr/share"), Path("/usr/lib/python3"), Path("/usr/include"), Path("/usr/lib/python3.11")):
        for folder in top.iterdir() if top.is_dir() else ():
            if folder.is_symlink() or not folder.is_dir():
                continue
            entries = run("find", folder, "-printf", "%b\n").split()
            measured.append((sum(map(int, entries)) / len(entries), folder, len(entries)))
    count = 0
    for _, folder, entries in sorted(measured, key=lambda each: (each[2] < 500, each[0])):
        run("cp", "-a", "--", folder, root / f"{folder.parent.name} {folder.name}")
        count += entries
        if count >= at_least:
            break
    found = run("find", root, "-printf", "x").count(b"x")
    assert found >= at_least, f"this machine has a tree of {found} entries only"
    return found
