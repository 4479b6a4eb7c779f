"""What must be true of a pair, told from outside: standard library only, and nothing of the package under test.

The oracle looks at the two drives before and after whatever the program does, keeps a record of each night, and raises
``Failure`` where the program lost something or said something false. The world (world.py) tells it what the program
said (``Said``, ``Restored``), and what was done behind the program's back where it cannot see that itself
(``rotted``, ``clock_is``, ``records_lost``).

    oracle = Oracle(primary, secondary, Promise(keep_s=..., floor_s=..., keep_nights=...))
    oracle.before_program()                  # ahead of a night or a command: what is gone by now others destroyed
    oracle.after_night(said, true_s)         # rules B, C, D, M and the record of that night
    oracle.check_restored(number, restored, target)
    oracle.check_listing(number, listed)

How it decides:

* **Record.** What ``restore --as-of N`` has to give is what the primary held when night N ran, where that night was
  complete. Of any other night, and of files written while it ran, a set of states is allowed for each name: what the
  name was before, and what it had become. What stands in ``copy/`` when the night has ended picks one of them.
* **Promised** is every content that ever stood in ``copy/``. It has to stand on the secondary until it is old by true
  time and by completed nights since it left the copy. What is gone when the program is called was destroyed by whoever
  acted before: then it is no longer promised, but still has to be told as missing.
* **Rot** is known by its content: the oracle is told of each flip, and the flipped content appears nowhere else.
* Time is the world's true time, whatever the clock of the box says.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from lives.looking import EMPTY, Key, Thing, Tree, forget, look

OWN_NAMES = (b".nightferry-volume.toml", b"lost+found", b".nightferry-mending")
DAY_S = 86_400.0
# A content has to be gone again when both its times are over by this much and nights could let go.
OVERDUE = 4
EXAMPLES = 4


class Failure(AssertionError):
    """``rule`` names what was broken, the same for all cases of one kind."""

    def __init__(self, rule: str, message: str) -> None:
        super().__init__(f"[{rule}] {message}")
        self.rule, self.message = rule, message

    def __reduce__(self) -> tuple[type[Failure], tuple[str, str]]:
        return type(self), (self.rule, self.message)


class Promise(NamedTuple):
    """How long a retired version is kept: by true time and by nights; ``floor``: also where room is needed."""

    keep_s: float
    keep_nights: int
    floor_s: float
    floor_nights: int


class Said(NamedTuple):
    """What a night said of itself. ``number`` 0: it did not begin. ``outcome`` "killed": it said nothing."""

    number: int
    outcome: str  # complete, partial, held, interrupted, failed, refused, killed
    state: str  # sound, attention, failed, or empty
    damage: frozenset[tuple[bytes, str]] = frozenset()  # open at its end: path, side
    left_out: frozenset[bytes] = frozenset()
    notes: tuple[str, ...] = ()
    message: str = ""
    decayed: frozenset[tuple[bytes, str]] = frozenset()  # of the damage: what is told as rot
    unsure: frozenset[tuple[bytes, str]] = frozenset()  # of that: what is said to be an edit perhaps
    is_held: bool = False  # it entered a hold, which nobody has released
    room_wanted: bool = False  # the world filled the drive, or set keep_free: the floor counts


class Restored(NamedTuple):
    """What a restore said of itself. ``refused``: it did not begin, and why."""

    exit_code: int
    named: frozenset[bytes]  # what it says is not restored right
    refused: str = ""
    notes: tuple[str, ...] = ()
    with_primary: bool = False


Alternatives = tuple[Thing | None, ...]  # None: the name may be absent


@dataclass
class Record:
    """``names``: what each may be as of that night. ``groups``: hard links, None where they are not known."""

    number: int
    names: dict[bytes, Alternatives]
    groups: frozenset[frozenset[bytes]] | None
    outcome: str
    true_s: float
    halfway: frozenset[tuple[bytes, Key]] = frozenset()  # last parts of names, with contents that may stand there yet

    @property
    def is_complete(self) -> bool:
        """Else any metadata will do: a folder gets its own when all below it is done, a moved file after its name."""
        return self.outcome == "complete"


@dataclass
class Rot:
    """One flipped content. ``identity``: (inode, size, mtime) of the file when it was flipped."""

    bad: Key
    good: Key
    side: str  # primary, secondary
    identity: tuple[int, int, int]
    discovered: bool = False


@dataclass
class Left:
    """When a content left the copy: true time, completed nights until then, and whether the clock was ahead."""

    true_s: float
    completed: int
    clock_ahead: bool = False


@dataclass
class Oracle:
    primary: Path
    secondary: Path
    promise: Promise
    keeps_metadata: bool = True  # the secondary's file system can hold all of it
    links: bool = True
    ignored: frozenset[str] = frozenset()  # rules that are not looked at
    records: dict[int, Record] = field(default_factory=dict)
    rot: dict[Key, Rot] = field(default_factory=dict)
    left: dict[Key, Left] = field(default_factory=dict)
    current: set[Key] = field(default_factory=set)
    completed: int = 0
    calm: int = 0  # complete nights in a row with nothing open
    cycle_nights: int = 8  # within which all is read
    tampered: dict[bytes, int] = field(default_factory=dict)  # names in copy/ that a person changed, and when
    read: dict[int, Key] = field(default_factory=dict)  # by inode on the primary: the content that a night copied
    stored: set[int] = field(default_factory=set)  # inodes with stores that no complete night has come after
    foreign: set[Key] = field(default_factory=set)  # a person wrote it into the secondary: nothing is promised of it
    before_primary: Tree = EMPTY
    before_copy: Tree = EMPTY
    clock_ahead: bool = False
    at_hold: dict[bytes, Thing] = field(default_factory=dict)  # what the last held night did not do
    shown: dict[bytes, Thing] | None = None  # removed or replaced, when a hold was shown and released
    true_s: float = 0.0
    accused: frozenset[tuple[bytes, str]] = frozenset()  # what was told as rot, so far
    doubted: set[Key] = field(default_factory=set)  # contents of those that a person has to judge
    doubted_inodes: set[int] = field(default_factory=set)  # and their files on the primary
    inodes_before: dict[int, Key] = field(default_factory=dict)  # of the primary, when the last night ended
    # What a file is known by (``_identity``): the first content that was met under it.
    identities: dict[tuple[bytes | int, int, int], Key] = field(default_factory=dict)

    # --- failing

    def fail(self, rule: str, message: str) -> None:
        if rule not in self.ignored:
            raise Failure(rule, message)

    # --- looking

    def look_primary(self) -> Tree:
        if not self.links:
            forget()  # inode numbers mean nothing there
        return look(bytes(self.primary), OWN_NAMES)

    def look_copy(self) -> Tree:
        return look(bytes(self.secondary) + b"/copy")

    def look_retired(self) -> Tree:
        return look(bytes(self.secondary) + b"/retired")

    # --- what others did

    def rotted(self, bad: Key, good: Key, side: str, identity: tuple[int, int, int]) -> None:
        """A file was flipped behind the file system: it has ``bad`` now, with everything else as it was.

        Nobody can know of it in a file that no night has read as it was: that counts as written.
        """
        if side == "primary" and self.read.get(identity[0]) not in (
            good,
            self.rot[good].good if good in self.rot else good,
        ):
            return
        if side == "primary" and self.links and identity not in self.identities:
            return  # dated anew since the last night: what is in it now is an edit to whoever looks
        known = self.rot.get(good)
        self.rot[bad] = Rot(bad, known.good if known else good, side, identity)

    def is_rotten(self, key: Key) -> bool:
        return key in self.rot

    def storing(self, inode: int) -> bool:
        """Before a store into a mapped page: whether it has to move the file's times, since a night has read what it
        changes and nobody has stored anything since. Else no later night knows that it was written."""
        is_first = inode not in self.stored
        self.stored.add(inode)
        if not is_first or not self.links or inode not in self.read:  # without links: FUSE, where a store moves no time
            return False
        primary = self.look_primary()
        return any(
            primary.things[path].key == self.read[inode] for path, each in primary.inodes.items() if each == inode
        )

    def accepted(self, key: Key) -> None:
        """A person took the bad content as it is."""
        self.rot.pop(key, None)

    def clock_is(self, *, ahead: bool) -> None:
        self.clock_ahead = ahead

    def records_lost(self, newest: int) -> None:
        """No record that is left knows of nights after ``newest``; their numbers are used again."""
        for number in [each for each in self.records if each > newest]:
            del self.records[number]

    def person_wrote(self, path: bytes, keys: Iterable[Key] = ()) -> None:
        """A person changed a name in ``copy/``, which no night can know until it reads it back."""
        self.foreign |= set(keys)
        self.tampered[path] = self.completed
        self.tampered.setdefault(path.rpartition(b"/")[0], self.completed)

    # --- before and after the program

    def before_program(self) -> None:
        """What stands nowhere now was destroyed before the program was called."""
        self.before_primary, self.before_copy = self.look_primary(), self.look_copy()
        standing = self.before_copy.contents | self.look_retired().contents | self.before_primary.contents
        self.current &= standing
        for key in [each for each in self.left if each not in standing]:
            del self.left[key]
        self._forget_indistinguishable()

    def _forget_indistinguishable(self) -> None:
        """Rot that nobody knew of, in a file that was written or dated since, cannot be told from what was written."""
        standing: dict[Key, set[tuple[int, int, int]]] = {}
        for path, thing in self.before_primary.things.items():
            if thing.kind == "f" and thing.key in self.rot:
                inode = self.before_primary.inodes[path]
                standing.setdefault(thing.key, set()).add((inode, thing.size_bytes, thing.mtime_ns))
        for key, found in standing.items():
            rot = self.rot[key]
            if rot.side == "primary" and not rot.discovered and rot.identity not in found:
                del self.rot[key]

    def after_program(self, said: Said | None = None) -> tuple[Tree, Tree]:
        """Whatever is promised stands on the secondary. Returns the copy and what is retired."""
        copy, retired = self.look_copy(), self.look_retired()
        primary = self.look_primary()
        in_copy, standing = copy.contents, copy.contents | retired.contents
        for key in self.current - in_copy:
            self.left.setdefault(key, Left(self.true_s, self.completed, self.clock_ahead))
        for key in in_copy & self.left.keys():
            del self.left[key]
        self.current = {key for key in in_copy if key not in self.rot and key not in self.foreign}
        room = said is not None and said.room_wanted
        lost = []
        for key, left in list(self.left.items()):
            if key in standing or key in primary.contents:
                continue
            if key in self.rot or key in self.foreign or self._may_expire(left, room):
                del self.left[key]
            else:
                lost.append((key, left))
        if lost:
            key, left = lost[0]
            age = (self.true_s - left.true_s) / DAY_S
            self.fail(
                "lost",
                f"{len(lost)} contents stand nowhere, such as {_shown(key)} ({self._names_of(key)}), which left the"
                f" copy {age:.1f} days and {self.completed - left.completed} completed nights ago",
            )
            for key, _ in lost:
                self.left.pop(key, None)
        self._check_rot(copy, retired, primary)
        return copy, retired

    def _may_expire(self, left: Left, room: bool) -> bool:
        keep_s, nights = self.promise.keep_s, self.promise.keep_nights
        if room:
            keep_s, nights = self.promise.floor_s, self.promise.floor_nights
        old = left.clock_ahead or self.clock_ahead or self.true_s - left.true_s >= keep_s - 60
        return old and self.completed - left.completed >= nights

    def _check_rot(self, copy: Tree, retired: Tree, primary: Tree) -> None:
        """Rule C: flipped content of one drive is never the present content of the other."""
        on_primary = {thing.key for thing in primary.things.values() if thing.kind == "f"}
        for where, tree, side in (("copy/", copy, "primary"), ("the primary", primary, "secondary")):
            for path, thing in tree.things.items():
                rot = self.rot.get(thing.key) if thing.kind == "f" else None
                if rot is not None and rot.side == side:
                    self.fail(
                        "rot-crossed",
                        f"{where} has at {path!r} the content that was flipped on the {side}"
                        f" ({'known' if rot.discovered else 'not known'} as damage)",
                    )
                    del self.rot[thing.key]
        standing = copy.contents | retired.contents | primary.contents
        for rot in list(self.rot.values()):
            if rot.side == "primary" and rot.bad in on_primary and rot.good not in standing:
                if rot.good in self.left or rot.good in self.current:
                    self.fail("good-version-gone", f"{_shown(rot.bad)} is bad still, and its good version is nowhere")
                self.rot.pop(rot.bad, None)

    # --- nights

    def after_night(self, said: Said, true_s: float) -> None:
        """Checks what a night did and said, and records it."""
        self.true_s = true_s
        primary = self.look_primary()
        for path, _side in said.damage:
            for tree in (primary, self.before_primary):
                thing = tree.things.get(path)
                if thing is not None and thing.key in self.rot:
                    self.rot[thing.key].discovered = True
        if said.number:  # a night that was refused says nothing of damage, and takes nothing back
            self._check_accused(said.decayed, said.unsure, primary)
        self._meet(primary)
        if said.outcome in ("complete", "partial"):
            self.completed += 1
        copy, _ = self.after_program(said)
        if said.outcome == "refused":
            if copy != self.before_copy:
                self.fail("refused-and-wrote", f"a night that did not begin changed copy/: {said.message}")
            return
        allowed = self._allowed(said, primary)
        if said.outcome == "complete":
            self._check_complete(said, allowed, copy, primary)
        if said.outcome in ("held", "interrupted") or (said.outcome == "complete" and self.shown is not None):
            self._check_release(said, copy)
        if said.is_held:
            self.at_hold = self._displaced(self.before_copy, self.before_primary)
        if said.is_held and said.outcome not in ("held", "killed"):
            self.fail("hold-hidden", f"night {said.number} was held, and calls itself {said.outcome}")
        calm = said.outcome == "complete" and said.state == "sound"
        self.calm = self.calm + 1 if calm else 0
        if calm:
            self._check_overdue()
        self._record(said, allowed, copy, primary)
        self._note_read(said, copy, primary)

    def _note_read(self, said: Said, copy: Tree, primary: Tree) -> None:
        if said.outcome == "complete" and primary == self.before_primary:
            self.stored.clear()
        standing = set(primary.inodes.values())
        self.read = {inode: key for inode, key in self.read.items() if inode in standing}
        for path, inode in primary.inodes.items():
            if path in copy.things and copy.things[path].key == primary.things[path].key:
                self.read[inode] = primary.things[path].key

    def check_accused(self, decayed: frozenset[tuple[bytes, str]], unsure: frozenset[tuple[bytes, str]]) -> None:
        """What is told as rot was not written by anybody. ``unsure``: those that are said to be an edit perhaps."""
        self._check_accused(decayed, unsure, self.look_primary())

    def _check_accused(
        self, decayed: frozenset[tuple[bytes, str]], unsure: frozenset[tuple[bytes, str]], primary: Tree
    ) -> None:
        new, self.accused = decayed - self.accused, decayed
        suspects = self._suspects(primary) if new else {}
        for path, side in sorted(new):
            now, copy = primary.things.get(path), self.before_copy.things.get(path)
            if now is None or now.kind != "f" or now != self.before_primary.things.get(path) or now.key in self.rot:
                continue
            is_doubted = now.key in self.doubted or (self.links and primary.inodes[path] in self.doubted_inodes)
            if now.key in suspects or is_doubted:
                self.doubted.add(now.key)
                if not self.links and side == "primary" and (path, side) not in unsure:
                    self.fail("edit-called-rot", f"{path!r} is told as decayed; an edit looks the same there")
                continue  # a person has to judge, whatever its name, date and content become meanwhile
            if side == "primary" or (side == "secondary" and copy is not None and copy.key == now.key):
                self.fail("intact-called-bad", f"{path!r} on the {side} is told as decayed; it is what was written")
        self.doubted_inodes |= {primary.inodes[path] for path, side in decayed if path in primary.inodes}

    def _meet(self, primary: Tree) -> None:
        """Keeps what is first seen under each inode, size and date."""
        for path, inode in primary.inodes.items():
            thing = primary.things[path]
            if thing.key not in self.rot:
                self.identities.setdefault(self._identity(path, inode, thing), thing.key)

    def _identity(self, path: bytes, inode: int, thing: Thing) -> tuple[bytes | int, int, int]:
        """By what a file is known again: where inode numbers mean nothing, by its name."""
        return (inode if self.links else path), thing.size_bytes, thing.mtime_ns

    def _suspects(self, *primaries: Tree) -> dict[Key, Key]:
        """Contents that stand under the inode, size and date of another, and that other: edits or rot, by any name."""
        found = {}
        for tree in primaries:
            for path, inode in tree.inodes.items():
                thing = tree.things[path]
                first = self.identities.get(self._identity(path, inode, thing), thing.key)
                if first != thing.key:
                    found[thing.key] = first
        return found

    def _allowed(self, said: Said, after: Tree) -> dict[bytes, Alternatives]:
        """What each name may be as of this night: what it is on the primary, and if it was not complete what it was."""
        now: dict[bytes, set[Thing | None]] = {}
        suspects = self._suspects(self.before_primary, after) if said.damage else {}
        for tree in (self.before_primary, after):
            for path, thing in tree.things.items():
                now.setdefault(path, set()).update(self._as_written(path, thing))
                # Under each of its names: of a new one only its right content is taken along.
                if thing.kind == "f" and ((path, "primary") in said.damage or thing.key in suspects):
                    first = suspects.get(thing.key, thing.key)
                    now[path] |= {thing._replace(content=first[1]), *self._previous(path)}
        for path in now.keys() - (self.before_primary.things.keys() & after.things.keys()):
            now[path].add(None)  # it came or went meanwhile
        for path in _above_changed(self.before_primary, after):
            now[path] |= self._previous(path)
        if said.outcome != "complete":
            previous = self._last_record()
            known = previous.names if previous else {}
            for path in known.keys() | now.keys():
                now.setdefault(path, {None}).update(known.get(path, (None,)))
            for group in after.groups:  # what is not set yet of one name is not set of the others
                shared = {thing for path in group for thing in now[path] if thing is not None}
                for path in group:
                    now[path] |= {thing for thing in shared if thing.key == after.things[path].key}
        return {path: tuple(things) for path, things in now.items()}

    def _as_written(self, path: bytes, thing: Thing) -> Iterator[Thing | None]:
        """The state itself; where it is rot, that of the good content, or none: a person has to judge."""
        rot = self.rot.get(thing.key)
        if rot is None:
            yield thing
            return
        yield thing._replace(content=rot.good[1])
        yield None
        yield from self._previous(path)

    def _previous(self, path: bytes) -> set[Thing | None]:
        last = self._last_record()
        return set(last.names.get(path, (None,))) if last else {None}

    def _last_record(self) -> Record | None:
        return self.records[max(self.records)] if self.records else None

    def _check_complete(self, said: Said, allowed: dict[bytes, Alternatives], copy: Tree, primary: Tree) -> None:
        wrong = []
        for path in allowed.keys() | copy.things.keys():
            if path in said.left_out or not path:
                continue
            thing = copy.things.get(path)
            options = allowed.get(path, (None,))
            if any(self._same(thing, each) for each in options):
                self.tampered.pop(path, None)
                continue
            if self._is_known_bad(thing, path) or self._is_tampered(path, thing):
                continue
            if not self.links and any(_has_size_and_date_of(thing, each) for each in options):
                continue  # nothing but reading tells such a file from another, which takes a verify cycle
            wrong.append(f"{path!r}: copy/ has {_told(thing)}, the primary {' or '.join(map(_told, options))}")
        if wrong:
            self.fail("complete-false", f"night {said.number} is {said.outcome}, and {'; '.join(wrong[:EXAMPLES])}")
        if self.links and primary == self.before_primary:
            rotten = {path for path, thing in primary.things.items() if thing.key in self.rot}
            bad = {path for path, thing in copy.things.items() if thing.key in self.rot}
            mine, theirs = (_groups_within(tree.groups, rotten | bad) for tree in (primary, copy))
            if mine != theirs:
                self.fail(
                    "links-false",
                    f"night {said.number} is complete, and hard links differ: the primary alone has"
                    f" {_names(mine - theirs)}, copy/ alone {_names(theirs - mine)}",
                )
        if said.state == "sound" and said.damage:
            self.fail("sound-false", f"night {said.number} is sound with open damage {sorted(said.damage)[:EXAMPLES]}")

    def _is_known_bad(self, thing: Thing | None, path: bytes) -> bool:
        """The copy itself is flipped, or was written to, and nobody may know yet."""
        if thing is None or thing.kind != "f":
            return False
        rot = self.rot.get(thing.key)
        return (rot is not None and rot.side == "secondary") or thing.key in self.foreign

    def _is_tampered(self, path: bytes, thing: Thing | None) -> bool:
        """Until it had to be read; the date of a folder is read by nobody."""
        since = self.tampered.get(path)
        if since is None:
            return False
        return (thing is not None and thing.kind == "d") or self.completed - since <= self.cycle_nights

    def _same(self, found: Thing | None, wanted: Thing | None) -> bool:
        if found is None or wanted is None:
            return found is wanted
        if not self.keeps_metadata:
            return wanted.kind != "f" or found.key == wanted.key
        if wanted.kind == "l":
            return found._replace(mode=0) == wanted._replace(mode=0)
        return found == wanted

    def _check_overdue(self) -> None:
        """A retired version goes at some time: one wrong date may not keep all of them for ever."""
        if self.calm <= OVERDUE + 1 or self.rot:
            return
        for key, left in self.left.items():
            age_s, nights = self.true_s - left.true_s, self.completed - left.completed
            over_s = self.promise.keep_s + OVERDUE * DAY_S
            if age_s > over_s and nights > self.promise.keep_nights + OVERDUE and key not in self.foreign:
                self.fail(
                    "never-expires",
                    f"{_shown(key)} ({self._names_of(key)}) left the copy {age_s / DAY_S:.1f} days and {nights}"
                    f" completed nights ago, and is kept still, after {self.calm} sound nights",
                )
                return

    def _record(self, said: Said, allowed: dict[bytes, Alternatives], copy: Tree, primary: Tree) -> None:
        if not said.number:
            return
        names: dict[bytes, Alternatives] = {}
        for path, options in allowed.items():
            thing = copy.things.get(path)
            standing = [each for each in options if self._same(thing, each)]
            names[path] = (standing[0],) if standing and self.keeps_metadata and said.outcome != "killed" else options
        halfway = self._halfway(primary) if said.outcome == "killed" else frozenset()
        self.inodes_before = {inode: primary.things[path].key for path, inode in primary.inodes.items()}
        exact = said.outcome == "complete" and primary == self.before_primary and not self.rot
        self.records[said.number] = Record(
            said.number, names, primary.groups if exact and self.links else None, said.outcome, self.true_s, halfway
        )

    def _halfway(self, primary: Tree) -> frozenset[tuple[bytes, Key]]:
        """A killed night may have moved a thing, or a folder above it, and not have come to the rest of it."""
        previous = self._last_record()
        known = previous.names.items() if previous else ()
        names = [(path, thing) for path, things in known for thing in things]
        names += primary.things.items()
        found = {(os.path.basename(path), thing.key) for path, thing in names if thing is not None}
        for path, inode in primary.inodes.items():
            if inode in self.inodes_before:
                found.add((os.path.basename(path), self.inodes_before[inode]))
        return frozenset(found)

    # --- holds

    def hold_shown(self) -> None:
        """A person was shown what the held night would have removed and replaced, and said yes."""
        self.shown = self.at_hold

    def _displaced(self, copy: Tree, primary: Tree) -> dict[bytes, Thing]:
        """Files of the copy that the primary has no more, or with other content."""
        return {
            path: thing
            for path, thing in copy.things.items()
            if thing.kind == "f" and (path not in primary.things or primary.things[path].key != thing.key)
        }

    def _check_release(self, said: Said, copy: Tree) -> None:
        """What a night removes by a release was shown, but for as few as no hold would stop."""
        if self.shown is None or said.outcome != "complete":
            return
        gone = self._displaced(self.before_copy, copy).keys()
        beyond = gone - self.shown.keys()
        self.shown, files = None, sum(each.kind == "f" for each in self.before_copy.things.values())
        if self.hold_count is not None and len(beyond) > self.hold_count:
            self.fail(
                "release-beyond",
                f"a release covered {len(beyond)} of {files} files that nobody was shown: {_names(sorted(beyond))}",
            )

    hold_count: int | None = None  # files that may go without being asked about

    # --- restoring

    def check_restored(self, number: int, restored: Restored, target: Path, *, must_know: bool = True) -> None:
        """A restore as of a night: what it gave is what was recorded, and what it did not give is named and is gone.

        ``must_know`` False: the records that are left need not know this night.
        """
        record = self.records.get(number)
        if restored.refused:
            if must_know and record is not None and record.outcome in ("complete", "partial", "held"):
                self.fail("restore-refused", f"restore --as-of {number}: {restored.refused}")
            return
        if record is None:
            return
        found = look(bytes(target))
        what = f"restore --as-of {number} (exit {restored.exit_code})"
        self._check_names(what, record, restored, found)
        if restored.named and restored.exit_code == 0:
            self.fail("restore-exit", f"{what}: not all is right, and it says 0")
        missing = {path for path in record.names if path not in found.things}
        if record.groups is not None:
            mine, theirs = _groups_within(record.groups, missing), found.groups
            if mine != theirs:
                self.fail(
                    "restore-links",
                    f"{what}: hard links {_names(mine - theirs)} are not, or {_names(theirs - mine)} are",
                )

    def _check_names(self, what: str, record: Record, restored: Restored, found: Tree) -> None:
        standing = self.look_copy().contents | self.look_retired().contents
        if restored.with_primary:
            standing |= self.look_primary().contents
        wrong, hidden, unneeded = [], [], []
        for path in record.names.keys() | found.things.keys():
            options, thing = record.names.get(path, (None,)), found.things.get(path)
            if not path or path.startswith(b".nightferry-"):
                continue
            if any(self._same_restored(thing, each, record) for each in options):
                continue
            if thing is not None and (os.path.basename(path), thing.key) in record.halfway:
                continue
            if thing is not None and thing.key in self.foreign and not record.is_complete:
                continue  # a new state takes what a person left there for a night's, until one has compared it
            if thing is not None:
                wrong.append(f"{path!r} is {_told(thing)}, was {' or '.join(map(_told, options))}")
            elif path not in restored.named:
                hidden.append(path)
            elif all(each is not None and each.key in standing and each.key not in self.rot for each in options):
                unneeded.append(path)
        if wrong:
            self.fail("restore-wrong", f"{what}: {len(wrong)} wrong: {'; '.join(wrong[:EXAMPLES])}")
        if hidden:
            self.fail("restore-silent", f"{what}: {len(hidden)} missing and not named: {_names(sorted(hidden))}")
        if unneeded:
            self.fail("restore-gave-up", f"{what}: no place has it, though one has: {_names(sorted(unneeded))}")

    def _same_restored(self, found: Thing | None, wanted: Thing | None, record: Record) -> bool:
        """A restore has the whole metadata, whatever the secondary can hold."""
        if found is None or wanted is None:
            return found is wanted
        if found.key == wanted.key and not record.is_complete:
            return True
        return found._replace(mode=0) == wanted._replace(mode=0) if wanted.kind == "l" else found == wanted

    # --- history

    def check_listing(self, number: int, listed: set[bytes], exit_code: int) -> None:
        """``history --as-of``: the names of files and symlinks of that night, no more and no fewer."""
        record = self.records.get(number)
        if record is None or exit_code != 0:
            return
        must = {path for path, options in record.names.items() if None not in options and options[0].kind != "d"}  # type: ignore[union-attr]
        may = {path for path, options in record.names.items() if any(each and each.kind != "d" for each in options)}
        if not record.is_complete:
            may |= self.tampered.keys()
        if must - listed or listed - may:
            self.fail(
                "history-false",
                f"history --as-of {number} leaves out {_names(sorted(must - listed))}, has"
                f" {_names(sorted(listed - may))}",
            )

    def check_kept_whole(self, whole: set[int]) -> None:
        """Nights that ``history`` calls kept whole: every content of theirs stands on the secondary."""
        standing = self.standing()
        bad_copies = {rot.good for rot in self.rot.values()}
        for number in whole & self.records.keys():
            record = self.records[number]
            gone = [
                path
                for path, options in record.names.items()
                if all(each and each.kind == "f" and each.key not in standing for each in options)
                and not any(each and (each.key in bad_copies or each.key in self.destroyed) for each in options)
            ]
            if gone:
                self.fail("whole-false", f"history calls night {number} kept whole, and lacks {_names(sorted(gone))}")

    def check_all_found(self) -> None:
        """After all had to be read: flipped content is the present one of neither drive any more."""
        for where, tree in (("the primary", self.look_primary()), ("copy/", self.look_copy())):
            for path, thing in tree.things.items():
                if thing.kind == "f" and thing.key in self.rot:
                    self.fail(
                        "rot-not-found", f"{where} has flipped content at {path!r} after {self.calm} sound nights"
                    )

    destroyed: set[Key] = field(default_factory=set)

    @contextmanager
    def destroying(self) -> Iterator[None]:
        """Around what destroys contents behind the program's back: those are not looked for any more.

        What the primary still has and the secondary had before counts too: once it goes there, nobody has it, and no
        night can have known.
        """
        before = self.on_secondary()
        yield
        self.destroyed |= before - self.on_secondary()

    def standing(self) -> set[Key]:
        """Every content on either drive."""
        return self.on_secondary() | self.look_primary().contents

    def on_secondary(self) -> set[Key]:
        return self.look_copy().contents | self.look_retired().contents

    def _names_of(self, key: Key) -> str:
        found = [
            f"{path!r} of night {number}"
            for number, record in sorted(self.records.items(), reverse=True)
            for path, options in record.names.items()
            if any(each is not None and each.key == key for each in options)
        ]
        return found[0] if found else "of no recorded night"


def _above_changed(before: Tree, after: Tree) -> set[bytes]:
    """Folders in which names came or went between two looks."""
    changed = before.things.keys() ^ after.things.keys()
    return {path.rpartition(b"/")[0] for path in changed} & (before.things.keys() | after.things.keys())


def _groups_within(groups: frozenset[frozenset[bytes]], without: set[bytes]) -> frozenset[frozenset[bytes]]:
    return frozenset(kept for group in groups if len(kept := group - without) > 1)


def _shown(key: Key) -> str:
    return f"{key[0]} {key[1].hex()[:12]}" if key[0] == "f" else f"symlink to {key[1]!r}"


def _told(thing: Thing | None) -> str:
    if thing is None:
        return "nothing"
    rest = (
        f"{thing.size_bytes} B, {thing.mode:o}, {thing.uid}:{thing.gid}, {thing.mtime_ns}, {len(thing.xattrs)} xattrs"
    )
    return f"({_shown(thing.key)}, {rest})" if thing.kind != "d" else f"(a folder, {rest})"


def _names(given: Iterable[object]) -> str:
    listed = [sorted(each) if isinstance(each, frozenset) else each for each in given]
    return f"{listed[:EXAMPLES]}{' and more' if len(listed) > EXAMPLES else ''}"


def _has_size_and_date_of(one: Thing | None, other: Thing | None) -> bool:
    if one is None or other is None:
        return False
    return (one.kind, one.size_bytes, one.mtime_ns) == (other.kind, other.size_bytes, other.mtime_ns)
