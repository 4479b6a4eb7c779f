"""A pair that is lived with: nights and commands through the functions that the command line calls, in this process.

    world = World(folder)                          # a pair of two folders in memory; `drives=` for real ones
    world.perform(("write", {"path": b"kyrie.wav", "number": 1, "size": 300}))
    world.perform(("night", {}))
    world.close()

A **step** is a name and its arguments, plain values that ``repr`` prints: changes of the tree (changes.py), events
(events.py), and what the pair does (``night``, ``restore``, ``restore_all``, ``converge``). A step that does not apply
any more, since an earlier one was left out, does nothing. Whatever the program does is checked by the oracle; a
``Failure`` of it ends the life.
"""

from __future__ import annotations

import copy
import io
import json
import mmap
import os
import re
import shutil
import sqlite3
import subprocess
import traceback
from collections.abc import Callable, Iterator
from contextlib import (
    AbstractContextManager,
    ExitStack,
    contextmanager,
    nullcontext,
    redirect_stderr,
    redirect_stdout,
    suppress,
)
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock

from crash_world import copy_drive
from harness import Pair

import nightferry.night.run as run_module
from drives import Drive
from effects_faults import CountingEffects, FailingEffects, KillingEffects, in_child
from lives.acting import ActingEffects, HonestCut
from lives.barriers import BarrierEffects
from lives.clock import LifeClock
from lives.looking import forget
from lives.oracle import DAY_S, Failure, Oracle, Promise, Restored, Said
from nightferry.errors import NightferryError
from nightferry.night import takeover
from nightferry.night.context import Stop, Unwatched
from nightferry.night.pairing import make_pair
from nightferry.night.run import Result, run_night
from nightferry.recovery.opening import open_pair
from nightferry.recovery.restoring.new_primary import fill_new_primary
from nightferry.recovery.restoring.opening import Source, open_alone, open_configured
from nightferry.recovery.restoring.restore import Request, restore
from nightferry.recovery.restoring.result import RestoreResult
from nightferry.recovery.session import Session
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.volumes.capabilities import Capabilities, probe

Step = tuple[str, dict[str, Any]]
NAME = "recordings"
KEEP_DAYS, FLOOR_DAYS, CYCLE_DAYS = 6, 2, 4
HOLD_COUNT = 8
MINUTE_S = 60.0
_CONVERGE_NIGHTS = 24


@dataclass
class Sealed:
    """What one record of the pair knows: up to which night, and whether the world left it alone."""

    night: int
    is_sound: bool = True


@dataclass
class Books:
    """The working manifest, and the two sealed ones. None: not there."""

    working: Sealed | None = None
    sealed: Sealed | None = None
    previous: Sealed | None = None

    def after_night(self, number: int, *, sealed: bool) -> None:
        if sealed:
            self.previous, self.sealed = self.sealed, Sealed(number)
        self.working = Sealed(number)

    def newest(self, *, alone: bool = False) -> int | None:
        """The newest night that some sound record knows; None where there is none."""
        places = (self.sealed, self.previous) if alone else (self.working, self.sealed, self.previous)
        return max((each.night for each in places if each is not None and each.is_sound), default=None)

    @property
    def all_sound(self) -> bool:
        return all(each is None or each.is_sound for each in (self.working, self.sealed, self.previous))


class Failing(NamedTuple):
    """How a night is disturbed. ``at``: the n-th effect, or barrier."""

    how: str  # kill, kill after, barrier, cut names, cut data, stop, fail, act
    at: int
    number: int = 0
    times: int = 1
    step: Step | None = None


@dataclass
class World:
    """``drives``: real ones in place of folders in memory. ``ignored``: rules that the oracle does not look at."""

    base: Path
    drives: tuple[Drive, Drive] | None = None
    ignored: frozenset[str] = frozenset()
    without: frozenset[str] = frozenset()  # kinds of steps that are not drawn
    only: frozenset[str] = frozenset()  # kinds of events that are drawn, where not all are
    settings: dict[str, Any] = field(default_factory=dict)
    clock: LifeClock = field(default_factory=LifeClock)
    books: Books = field(default_factory=Books)
    log: list[str] = field(default_factory=list)
    verbose: bool = False
    when_closed: list[Callable[[], None]] = field(default_factory=list)

    def __post_init__(self) -> None:
        primary, secondary = self.drives or (self.base / "primary", self.base / "secondary")
        given = {
            "keep_retired": f"{KEEP_DAYS}d", "keep_retired_at_least": f"{FLOOR_DAYS}d",
            "verify_cycle": f"{CYCLE_DAYS}d", "hold_count": HOLD_COUNT, **self.settings,
        }  # fmt: skip
        self.pair = Pair(primary, secondary, self.base / "state", paired=False, **given)
        self.primary, self.secondary = self.pair.primary, self.pair.secondary
        self.top = os.fsencode(self.primary)
        self.state = self.pair.state_dir / NAME
        kind = self.drives[1].kind if self.drives else "tmpfs"
        plain = kind not in ("exfat", "ntfs")
        self.oracle = Oracle(
            self.primary, self.secondary,
            Promise(KEEP_DAYS * DAY_S, KEEP_DAYS, FLOOR_DAYS * DAY_S, FLOOR_DAYS),
            keeps_metadata=plain, links=plain, ignored=self.ignored, hold_count=HOLD_COUNT,
        )  # fmt: skip
        self.snapshots: list[tuple[int, dict[str, bytes]]] = []
        self.mappings: dict[bytes, mmap.mmap] = {}
        self.restores = 0
        self.second: PairSettings | None = None
        self.image: Books | None = None
        self.last: Said | None = None
        self._config = self.base / "nightferry.toml"
        for patch in (
            mock.patch.object(takeover, "Clock", lambda: self.clock),
            mock.patch.object(run_module, "probe", _probed),
        ):
            patch.start()
            self.when_closed.append(patch.stop)
        forget()
        self.make_pair()

    def close(self) -> None:
        """Removes everything but drives that were given."""
        for view in self.mappings.values():
            view.close()
        for end in self.when_closed:
            end()
        shutil.rmtree(os.fsencode(self.base), ignore_errors=True)
        if self.base.exists():  # what was made immutable
            subprocess.run(["chattr", "-R", "-i", self.base], check=False, capture_output=True)
            shutil.rmtree(os.fsencode(self.base), ignore_errors=True)

    # --- steps

    def perform(self, step: Step) -> None:
        """Does one step. Raises ``Failure`` where the program did something that it must not."""
        from lives.steps import KINDS

        name, args = step
        if self.verbose:
            print(step, flush=True)
        KINDS[name].do(self, **args)

    def path(self, path: bytes) -> bytes:
        """On the primary."""
        return self.top + b"/" + path

    # --- nights

    def night(self, days: float = 1.0, disturbed: Failing | None = None, keep_free: int | None = None) -> Said:
        """A night so many days later, checked and recorded."""
        self.clock.begin(days * DAY_S)
        self.oracle.true_s = self.clock.true_s
        self.oracle.before_program()
        settings = self.pair.settings
        if keep_free is not None:
            self.pair.set(keep_free=keep_free)
        try:
            said = self._run(disturbed)
        finally:
            self.pair.settings = settings
        if keep_free is not None or (disturbed is not None and disturbed.how == "fail"):
            said = said._replace(room_wanted=True)
        if self.verbose:
            print("    ", said, flush=True)
        self._keep_books(said)
        self.last = said
        self.oracle.after_night(said, self.clock.true_s)
        self._snapshot(said)
        return said

    def _run(self, disturbed: Failing | None) -> Said:
        if disturbed is not None and disturbed.how in ("kill", "kill after", "barrier", "cut names", "cut data"):
            return self._run_apart(disturbed)
        stop = Stop(self.clock)
        effects: CountingEffects | None = None
        if disturbed is not None and disturbed.how == "stop":
            effects = ActingEffects(disturbed.at, lambda: stop.request("asked to"))
        elif disturbed is not None and disturbed.how == "fail":
            effects = FailingEffects(disturbed.at, disturbed.number, times=disturbed.times)
        elif disturbed is not None and disturbed.step is not None:
            step = disturbed.step
            effects = ActingEffects(disturbed.at, lambda: self.perform(step))
        return self._told(lambda: self.pair.run(effects=effects, stop=stop, clock=self.clock))

    def _told(self, run: Callable[[], Result]) -> Said:
        try:
            result = run()
        except NightferryError as error:
            return Said(0, "refused", "", message=str(error))
        except Failure:
            raise
        except Exception as error:
            raise Failure("crashed", traceback.format_exc()) from error
        return self._said(result.number, result.outcome, result.state, tuple(result.notes), result.failure or "")

    def _said(self, number: int, outcome: str, state: str, notes: tuple[str, ...] = (), message: str = "") -> Said:
        damage: frozenset[tuple[bytes, str]] = frozenset()
        left_out: frozenset[bytes] = frozenset()
        is_held, decayed, unsure = False, damage, damage
        with suppress(NightferryError, sqlite3.Error), self.pair.manifest() as manifest:
            open_damage = manifest.runs.open_damage()
            damage = frozenset((path, side) for path, side, *_ in open_damage)
            decayed = frozenset((path, side) for path, side, verdict, _ in open_damage if verdict == "decayed")
            unsure = frozenset((path, side) for path, side, _, detail in open_damage if "an edit" in detail)
            left_out = frozenset(each.path for each in manifest.runs.left_out(number))
            is_held = (hold := manifest.runs.open_hold()) is not None and hold.run == number and not hold.released_s
        return Said(number, outcome, state, damage, left_out, notes, message, decayed, unsure, is_held)

    def _run_apart(self, disturbed: Failing) -> Said:
        """In a process of its own, which ends in the middle."""
        effects: CountingEffects
        if disturbed.how == "barrier":
            effects = BarrierEffects(disturbed.at)
        elif disturbed.how.startswith("kill"):
            effects = KillingEffects(disturbed.at, after=disturbed.how == "kill after")
        else:
            lose = disturbed.how.removeprefix("cut ")
            effects = HonestCut(disturbed.at, os.fsencode(self.secondary), lose=lose, keep=disturbed.number)

        def run() -> None:
            with suppress(NightferryError):
                self.pair.run(effects=effects, clock=self.clock)

        before = self.newest_run()
        try:
            ended = in_child(run)
        except AssertionError as error:
            raise Failure("crashed", str(error)) from error
        number, outcome, state = self._last_run()
        if number == before:
            return Said(0, "refused" if ended else "killed", "")
        return self._said(number, outcome if ended else "killed", state if ended else "")

    def _last_run(self) -> tuple[int, str, str]:
        with suppress(NightferryError, sqlite3.Error), self.pair.manifest() as manifest:
            run = manifest.runs.last()
            if run is not None:
                return run.number, run.outcome or "killed", json.loads(run.summary).get("state", "")
        return 0, "", ""

    def newest_run(self) -> int:
        return self._last_run()[0]

    def _keep_books(self, said: Said) -> None:
        if not said.number:
            return
        if said.outcome == "killed":
            if self.books.working is not None:
                self.books.working.night = said.number
            return
        self.books.after_night(said.number, sealed=said.outcome != "failed")

    def _snapshot(self, said: Said) -> None:
        """The state as files, for when the system disk is put back from an old image."""
        if said.outcome in ("complete", "partial", "held"):
            self.snapshots = [*self.snapshots[-4:], (said.number, self.state_files())]

    def state_files(self) -> dict[str, bytes]:
        return {each.name: each.read_bytes() for each in self.state.iterdir() if each.is_file() and each.name != "lock"}

    # --- commands

    @contextmanager
    def command(self) -> Iterator[None]:
        """Around a command of a person: what it must not do, whatever it says."""
        self.clock.begin(MINUTE_S)
        self.oracle.true_s = self.clock.true_s
        self.oracle.before_program()
        try:
            yield
        except (NightferryError, Failure):
            raise
        except Exception as error:
            raise Failure("crashed", traceback.format_exc()) from error
        self.oracle.after_program()

    def make_pair(self) -> str:
        """`pair --yes`; returns what it did."""
        with self.command():
            proposal = self.pair.pair()
        action = getattr(proposal, "action", "")
        if action == "rebuild":
            self.oracle.records.clear()  # what changed when is lost, which it says
        if action in ("adopt", "rebuild", "create"):
            newest = self.books.newest(alone=True) or 0
            self.books.working = Sealed(newest)
        return action

    def second_night(self) -> None:
        """A night of a second pair, which shares the primary; made where it is not there. Only the first is checked."""
        if self.second is None:
            given = {**self.pair.settings.model_dump(), "name": "second", "secondary": self.base / "second"}
            (self.base / "second").mkdir()
            settings = PairSettings(**given)
            with self.command():
                make_pair(settings, self.pair.state_dir, lambda _: True)
            self.second = settings
        with self.command():
            run_night(self.second, self.pair.state_dir, Unwatched(), clock=self.clock)

    def new_primary(self, *, second: bool, empty: bool = True) -> None:
        """`restore --new-primary --yes` onto an empty folder in the primary's place, or onto what stands there."""
        settings = self.second if second else self.pair.settings
        if settings is None:
            return
        if empty:
            immutable = ["chattr", "-R", "-i", os.fsencode(self.primary)]
            subprocess.run(immutable, check=False, capture_output=True)
            shutil.rmtree(self.top)
            os.mkdir(self.top)
        with self.command():
            result = fill_new_primary(
                settings, self.pair.state_dir, lambda _: True, Unwatched(), Effects(), self.clock, Stop(self.clock),
                bad=True,
            )  # fmt: skip
            # Asked for under a marked name, bad bytes are a file of their own from now on. Under no other name are they
            # the right ones of any night, which the records of the nights say.
            marked = () if result is None else [each.restored_as for each in result.damaged.kept]
            on_primary = self.oracle.look_primary().things
            for path in marked:
                if path in on_primary and self.oracle.is_rotten(on_primary[path].key):
                    self.oracle.accepted(on_primary[path].key)
        if not second:
            self.books.working = self.books.working or Sealed(self.books.newest(alone=True) or 0)

    def release(self) -> None:
        """`release`, after a look at what it would do."""
        with suppress(AssertionError), self.command():
            self.pair.release()
            self.oracle.hold_shown()

    def mend(
        self, action: str | None, path: bytes | None = None, between: Step | None = None, source: bytes | None = None
    ) -> dict[bytes, tuple[bool, str]]:
        """`mend`; by path what was said of it. ``between``: something that happens while the question stands.
        ``source``: the version that a person chooses (``--from``)."""
        told: dict[bytes, tuple[bool, str]] = {}
        kept = Effects()
        with self.command():
            with open_pair(
                self.pair.settings, self.pair.state_dir, "mend", kept, mend=action not in (None, "accept")
            ) as opened:
                session = Session(opened, self.clock, lambda: False)
                looked = list(session.look(session.chosen([] if path is None else [path])))
                shown = self.oracle.look_primary()
                if between is not None:
                    self.perform(between)
                on_primary = self.oracle.look_primary()
                for each in looked if action is not None else ():
                    for tree in (on_primary, self.oracle.before_copy) if action in ("accept", "choose") else ():
                        if (thing := tree.things.get(each.case.path)) is not None:
                            self.oracle.accepted(thing.key)
                    outcome = session.act(each, action, source)  # type: ignore[arg-type]
                    told[each.case.path] = outcome.done, outcome.told
            self._check_mended(told, action, shown, on_primary)
        return told

    def _check_mended(self, told: dict[bytes, tuple[bool, str]], action: str | None, shown: Any, before: Any) -> None:
        """No content of the primary ended here, nothing was displaced but what was shown, and no right content was said
        to be nowhere."""
        standing, now = self.oracle.standing(), self.oracle.look_primary()
        for path, thing in before.things.items():
            if thing.kind == "f" and thing.key not in standing:
                rule = "mend-displaced-damage" if self.oracle.is_rotten(thing.key) else "mend-lost"
                self.oracle.fail(rule, f"mend was the end of what stood at {path!r}: {told.get(path)}")
        for path, (done, words) in told.items():
            kept, then, there = (tree.things.get(path) for tree in (now, before, shown))
            if then is not None and then != there and (kept is None or kept.key != then.key):
                self.oracle.fail("mend-unasked", f"{path!r} was saved while the question stood; mend says: {words}")
            thing = now.things.get(path)
            rot = None if thing is None else self.oracle.rot.get(thing.key)
            if rot is None or action != "restore":
                continue
            if done:
                self.oracle.fail("mend-false", f"mend says of {path!r}: {words}; it is bad still")
            elif rot.good in standing and "No place has" in words:
                self.oracle.fail("mend-gave-up", f"mend says of {path!r}: {words}; one has")

    def restored(self, number: int | None, *, alone: bool, source: Source | None = None) -> tuple[Restored, Path]:
        """`restore --as-of`, into a new folder; from the secondary alone, or as configured, or from what is open."""
        self.restores += 1
        target = self.base / f"restored-{self.restores}"
        self.clock.begin(MINUTE_S)
        effects = Effects()
        try:
            with self._source(effects, alone=alone) if source is None else nullcontext(source) as opened:
                request = Request(target, as_of=None if number is None else str(number))
                result = restore(opened, request, Unwatched(), effects, self.clock, lambda: False)
        except NightferryError as error:
            return Restored(error.exit_code, frozenset(), str(error)), target
        except Exception as error:
            raise Failure("crashed", traceback.format_exc()) from error
        return Restored(result.exit_code, _named(result), notes=tuple(result.notes), with_primary=not alone), target

    def _source(self, effects: Effects, *, alone: bool) -> AbstractContextManager[Source]:
        if alone:
            return open_alone(self.secondary, effects, pair=None)
        return open_configured(self.pair.settings, self.pair.state_dir, effects)

    def check_night(self, number: int, *, alone: bool, source: Source | None = None) -> None:
        """Restores a night and compares it with its record."""
        newest = self.books.newest(alone=alone)
        restored, target = self.restored(number, alone=alone, source=source)
        try:
            must_know = newest is not None and number <= newest
            self.oracle.check_restored(number, restored, target, must_know=must_know)
        finally:
            shutil.rmtree(os.fsencode(target), ignore_errors=True)

    def check_nights(self, *, alone: bool) -> None:
        """The same of every recorded night, newest first; what they come from is opened once."""
        with ExitStack() as stack:
            source: Source | None = None
            with suppress(NightferryError):  # then each night says so
                source = stack.enter_context(self._source(Effects(), alone=alone))
            for number in sorted(self.oracle.records, reverse=True):
                self.check_night(number, alone=alone, source=source)

    def check_history(self, number: int, *, alone: bool) -> None:
        """`history --as-of --recursive`, and which nights it calls whole."""
        where = ["--secondary", str(self.secondary)] if alone else [NAME]
        code, said = self.line("history", *where, "--as-of", str(number), "--recursive", "--json")
        listed = {
            _path_of(each) for pair in said.get("pairs", ()) for each in pair["listing"] if each["kind"] != "folder"
        }
        self.oracle.check_listing(number, listed, code)
        code, said = self.line("history", *where, "--json")
        nights = [each for pair in said.get("pairs", ()) for each in pair["nights"]] if code == 0 else []
        self.oracle.check_kept_whole({each["number"] for each in nights if each["lost_files"] == 0})

    def line(self, *words: str) -> tuple[int, dict[str, Any]]:
        """The real command line with ``--json``, in this process: its exit code and its document."""
        from nightferry.cli.main import main

        if not self._config.exists():
            settings = self.pair.settings
            self._config.write_text(
                f'state_dir = "{self.pair.state_dir}"\n[[pair]]\nname = "{NAME}"\nprimary = "{settings.primary}"\n'
                f'secondary = "{settings.secondary}"\nrequire_mount = {str(settings.require_mount).lower()}\n'
            )
        out = io.StringIO()
        with redirect_stdout(out), redirect_stderr(io.StringIO()):
            code = main(["--config", str(self._config), *words])
        try:
            return code, json.loads(out.getvalue() or "{}")
        except ValueError:
            return code, {}

    # --- old images

    def image_secondary(self) -> None:
        """In memory only: a real drive's image is a file that may be in use."""
        if self.drives is None:
            copy_drive(self.secondary, self.base / "image")
            self.image = copy.deepcopy(self.books)

    def old_secondary(self) -> None:
        if self.image is None:
            return
        copy_drive(self.base / "image", self.secondary)
        self.books.sealed, self.books.previous = copy.deepcopy((self.image.sealed, self.image.previous))

    def _move_state_away(self) -> None:
        aside = self.base / f"moved away {self.restores}"
        shutil.rmtree(aside, ignore_errors=True)
        self.state.rename(aside)
        self.books.working = None
        newest = self.books.newest()
        self.oracle.records_lost(0 if newest is None else newest)

    # --- what is advised

    def follow(self, message: str) -> bool:
        """Does what a message advises; False where it advises nothing that is known here."""
        if f"move {self.state} away" in message:
            self._move_state_away()
        for words in re.findall(r"`nightferry ([a-z-]+)[^`]*`", message):
            if words == "pair":
                self.make_pair()
                return True
            if words == "run":
                return True
            if words == "release":
                self.release()
                return True
            if words == "mend":
                self.mend("restore")
                return True
        if "--new-primary`" in message:
            self.new_primary(second=False, empty=False)
            return True
        return False

    def converge(self) -> None:
        """Clean nights, and what the advice says: the pair is sound and both drives equal."""
        refusals: list[str] = []
        said = self.last
        for _ in range(_CONVERGE_NIGHTS):
            said = self.night()
            if said.outcome == "refused":
                if said.message in refusals or not self._followed(said.message):
                    self.oracle.fail("stuck", f"no night begins, and its advice leads nowhere: {said.message}")
                    return
                refusals.append(said.message)
                continue
            if said.outcome == "held":
                self.release()
            elif said.damage:
                self._judge(said)
            elif self.oracle.calm > (CYCLE_DAYS + 2 if self.oracle.rot else 0):
                self.oracle.check_all_found()
                return
        self.oracle.fail("not-sound", f"after {_CONVERGE_NIGHTS} nights: {said}")

    def _followed(self, message: str) -> bool:
        try:
            return self.follow(message)
        except NightferryError:
            return False

    def _judge(self, said: Said) -> None:
        """What a person does about damage: what can be put back is, and the rest taken as it is."""
        with suppress(NightferryError):
            self.mend("restore")
        left = self._said(said.number, said.outcome, said.state).damage
        for path, side in sorted(left):
            with suppress(NightferryError):
                self.mend("accept", b"retired/" + path if side == "retired" else path)


_abilities: dict[str, Capabilities] = {}


def _probed(fd: int, effects: Effects, *, as_root: bool, file_system: str) -> Capabilities:
    """What a file system can hold is tried out once, not at the beginning of each night: that has its own tests, and
    a crash should hit the night itself."""
    if file_system not in _abilities:
        _abilities[file_system] = probe(fd, Effects(), as_root=as_root, file_system=file_system)
    return _abilities[file_system]


def _named(result: RestoreResult) -> frozenset[bytes]:
    kinds = (result.left, result.bad, result.damaged, result.refused)
    return frozenset(each.path for kind in kinds for each in kind.kept)


def _path_of(said: dict[str, Any]) -> bytes:
    raw = said.get("path_bytes")
    if raw:
        import base64

        return base64.b64decode(raw)
    return os.fsencode(said["path"])
