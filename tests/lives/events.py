"""What befalls a pair: crashes, faults, rot, lost records, wrong clocks, and what people do with the commands.

An event names the paths it is about; what stands below ``retired/`` is named by the path it had and by how many of that
name are older, since the folder's name has the time in it.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from drives import Drive
from lives import changes
from lives.cells import place_of
from lives.oracle import DAY_S
from lives.rot import flip
from lives.steps import Args, Draw, add, drawn
from nightferry.errors import NightferryError
from nightferry.manifest.manifest import FILE_NAME

if TYPE_CHECKING:
    from lives.world import Step, World

NEWEST = "manifest.sqlite3"
PREVIOUS = "manifest.previous.sqlite3"
YEAR_DAYS = 366


# --- nights


def night(world: World, days: float = 1.0) -> None:
    world.night(days)


def disturbed_night(
    world: World, how: str, at: int, number: int = 0, times: int = 1, step: Step | None = None, days: float = 1.0
) -> None:
    """A night that is killed, cut off, stopped, refused something, or that somebody works beside."""
    from lives.world import Failing

    world.night(days, Failing(how, at, number, times, step))


def pressed_night(world: World, days: float = 1.0) -> None:
    """A night that lacks room: all that may go for it goes."""
    world.night(days, keep_free=1 << 60)


def restore(world: World, back: int, alone: bool) -> None:
    """A night so many before the newest is restored and compared."""
    numbers = sorted(world.oracle.records)
    if numbers:
        world.check_night(numbers[max(0, len(numbers) - 1 - back)], alone=alone)


def history(world: World, back: int, alone: bool) -> None:
    numbers = sorted(world.oracle.records)
    if numbers:
        world.check_history(numbers[max(0, len(numbers) - 1 - back)], alone=alone)


def restore_all(world: World, most: int = 12) -> None:
    """Nights over all that are recorded, from the state and from the secondary alone."""
    numbers = sorted(world.oracle.records)
    step = max(1, len(numbers) // most)
    for number in numbers[::-1][::step]:
        for alone in (False, True):
            world.check_night(number, alone=alone)


def converge(world: World) -> None:
    world.converge()


# --- rot


def rot_primary(world: World, path: bytes, at: int) -> None:
    _flip(world, world.path(path), at, "primary", _drive(world, 0))


def rot_copy(world: World, path: bytes, at: int) -> None:
    _flip(world, os.fsencode(world.secondary) + b"/copy/" + path, at, "secondary", _drive(world, 1))


def rot_retired(world: World, path: bytes, which: int, at: int) -> None:
    found = [each for name, each in _retired(world) if name == path]
    if which < len(found):
        _flip(world, found[which], at, "secondary", _drive(world, 1))


def _flip(world: World, full: bytes, at: int, side: str, drive: Drive | None) -> None:
    if os.path.islink(full) or not os.path.isfile(full):
        return
    with world.oracle.destroying():
        flipped = flip(full, at, drive)
    if flipped is not None:
        world.oracle.rotted(flipped[0], flipped[1], side, flipped[2])


def _drive(world: World, side: int) -> Drive | None:
    return None if world.drives is None else world.drives[side]


def _retired(world: World) -> Iterator[tuple[bytes, bytes]]:
    """Of each file below ``retired/``, oldest run first: its path as it was, and where it stands."""
    top = os.fsencode(world.secondary) + b"/retired"
    for stamp in sorted(os.listdir(top)):
        for folder, folders, files in os.walk(top + b"/" + stamp):
            folders.sort()
            for name in sorted(files):
                full = folder + b"/" + name
                if not os.path.islink(full):
                    yield full[len(top) + len(stamp) + 2 :], full


# --- records


def _records(world: World) -> dict[str, Any]:
    return {
        "working": world.state / FILE_NAME,
        "sealed": world.secondary / "records" / NEWEST,
        "previous": world.secondary / "records" / PREVIOUS,
    }


def flip_record(world: World, place: str, share: float, bit: int) -> None:
    """A bit of a database, so far into it."""
    path = _records(world)[place]
    if not path.exists() or not path.stat().st_size:
        return
    _flip_at(world, place, int(share * (path.stat().st_size - 1)), bit)


def flip_cell(world: World, place: str, needle: bytes, which: int, bit: int) -> None:
    """A bit of the ``which``-th place in a database where ``needle`` stands, such as a name in a row or in an index."""
    path = _records(world)[place]
    if not path.exists():
        return
    found = _places(path.read_bytes(), needle)
    if found:
        _flip_at(world, place, found[which % len(found)] + len(needle) - 1, bit)


def _places(content: bytes, needle: bytes) -> list[int]:
    found, at = [], content.find(needle)
    while at >= 0:
        found.append(at)
        at = content.find(needle, at + 1)
    return found


def flip_column(world: World, place: str, table: str, column: str, name: bytes, bit: int) -> None:
    """A bit of what a record says in a column of the newest row of a name: a checksum, a size, the folder it is in."""
    path = _records(world)[place]
    with suppress(sqlite3.Error, OSError):
        at = place_of(path, table, column, name)
        if at is not None:
            _flip_at(world, place, at, bit)


def _flip_at(world: World, place: str, at: int, bit: int) -> None:
    path = _records(world)[place]
    with path.open("r+b") as file:
        file.seek(at)
        byte = file.read(1)
        file.seek(at)
        file.write(bytes([byte[0] ^ (1 << bit % 8)]))
    _hurt(world, place)


def _hurt(world: World, place: str) -> None:
    """The world knows that a record is not what was written; nights that no other record knows are lost."""
    book = getattr(world.books, place)
    if book is not None:
        book.is_sound = False
    _forget_nights(world)


def _forget_nights(world: World) -> None:
    newest = world.books.newest()
    if newest is None:
        world.oracle.records.clear()
    else:
        world.oracle.records_lost(newest)


def spoil_records(world: World, place: str) -> None:
    """A whole page of a record is zeros."""
    path = _records(world)[place]
    if not path.exists():
        return
    with path.open("r+b") as file:
        file.seek(0)
        file.write(bytes(4096))
    _hurt(world, place)


def spoil_lists(world: World, at: float) -> None:
    """A byte of the checksum list is flipped."""
    for path in sorted((world.secondary / "records").glob("checksums.*")):
        content = bytearray(path.read_bytes())
        if content:
            content[int(at * (len(content) - 1))] ^= 1
            path.write_bytes(content)
            return


def lose_state(world: World) -> None:
    """The box and its system disk are gone; a person takes the pair over on a new one."""
    shutil.rmtree(world.state, ignore_errors=True)
    world.books.working = None
    _forget_nights(world)
    if world.oracle.records or world.newest_run() == 0:
        with suppress(NightferryError):
            world.make_pair()


def lose_state_only(world: World) -> None:
    """The same, and nobody has done anything about it yet."""
    shutil.rmtree(world.state, ignore_errors=True)
    world.books.working = None
    _forget_nights(world)


def pair_again(world: World) -> None:
    """`pair --yes`, whatever for."""
    with suppress(NightferryError):
        world.make_pair()


def half_state(world: World) -> None:
    """Of the state only the first half of the database is left."""
    path = world.state / FILE_NAME
    if path.exists():
        os.truncate(path, path.stat().st_size // 2)
        for suffix in ("-wal", "-shm"):
            path.with_name(FILE_NAME + suffix).unlink(missing_ok=True)
        _hurt(world, "working")


def old_state(world: World, back: int) -> None:
    """The system disk is put back from an image of some nights ago."""
    if back >= len(world.snapshots):
        return
    number, files = world.snapshots[-1 - back]
    shutil.rmtree(world.state, ignore_errors=True)
    world.state.mkdir(parents=True)
    for name, content in files.items():
        (world.state / name).write_bytes(content)
    if world.books.working is not None:
        world.books.working.night = number
    _forget_nights(world)


# --- the clock


def clock(world: World, days: float) -> None:
    """The clock of the box is so many days off from now on; 0 sets it right."""
    world.clock.error_s = days * DAY_S
    world.oracle.clock_is(ahead=days > 0)


# --- people


def release(world: World) -> None:
    with suppress(NightferryError):
        world.release()


def mend(
    world: World,
    action: str | None = "restore",
    path: bytes | None = None,
    between: Step | None = None,
    source: bytes | None = None,
) -> None:
    with suppress(NightferryError):
        world.mend(action, path, between, source)


def verify(world: World, retired: bool = True) -> None:
    """`verify` of all, now."""
    from nightferry.night.context import Stop, Unwatched
    from nightferry.recovery.verifying import Wanted, verify_pair
    from nightferry.tree.effects import Effects

    with suppress(NightferryError), world.command():
        world.clock.begin(DAY_S)
        result = verify_pair(
            world.pair.settings, world.pair.state_dir, Wanted(retired=retired, also_fresh=True), Unwatched(), Effects(),
            world.clock, Stop(world.clock),
        )  # fmt: skip
        decayed = frozenset((each.path, each.side) for each in result.open if each.verdict == "decayed")
        unsure = frozenset((each.path, each.side) for each in result.open if "an edit" in each.detail)
        world.oracle.check_accused(decayed, unsure)
        _check_verified(world, {(each.path, each.side) for each in result.open})


def _check_verified(world: World, said: set[tuple[bytes, str]]) -> None:
    """Whoever reads everything finds what was flipped in a file that the records know."""
    primary, copy = world.oracle.look_primary(), world.oracle.look_copy()
    for side, tree, other in (("primary", primary, copy), ("secondary", copy, primary)):
        for path, thing in tree.things.items():
            rot = world.oracle.rot.get(thing.key) if thing.kind == "f" else None
            twin = other.things.get(path)
            if rot is None or rot.side != side or twin is None or twin.key != rot.good:
                continue
            if side == "primary":
                rot.discovered = rot.discovered or (path, side) in said
            if (path, side) not in said and _is_as_it_was(world, path, rot.identity, side):
                world.oracle.fail("rot-not-found", f"verify read everything, and did not name {path!r} on the {side}")


def _is_as_it_was(world: World, path: bytes, identity: tuple[int, int, int], side: str) -> bool:
    top = world.top if side == "primary" else os.fsencode(world.secondary) + b"/copy"
    status = os.lstat(top + b"/" + path)
    return (status.st_ino, status.st_size, status.st_mtime_ns) == identity


def write_into_copy(world: World, path: bytes, number: int) -> None:
    """A person writes into ``copy/``: over a file there, or a new one."""
    full = os.fsencode(world.secondary) + b"/copy/" + path
    with suppress(OSError), world.oracle.destroying():
        _break_links(full)
        with open(full, "wb") as file:
            file.write(changes.content(number, 100))
        world.oracle.person_wrote(path, [("f", _sha(changes.content(number, 100)))])


def delete_from_copy(world: World, path: bytes) -> None:
    full = os.fsencode(world.secondary) + b"/copy/" + path
    with suppress(OSError), world.oracle.destroying():
        os.unlink(full)
        world.oracle.person_wrote(path)


def _break_links(full: bytes) -> None:
    """What is written over is not a version in ``retired/`` that shares its inode: a person saves by a new file."""
    if os.path.lexists(full) and not os.path.isdir(full):
        os.unlink(full)


def _sha(content: bytes) -> bytes:
    from lives.looking import sha256

    return sha256(content)


def empty_primary(world: World) -> None:
    """All of the primary is gone, as when somebody formatted it; its card stays."""
    for name in os.listdir(world.top):
        if name == b".nightferry-volume.toml":
            continue
        with suppress(OSError):
            full = world.path(name)
            shutil.rmtree(full) if os.path.isdir(full) and not os.path.islink(full) else os.unlink(full)


# --- other drives


def remount(world: World) -> None:
    """The primary is plugged in again."""
    drive = _drive(world, 0)
    if drive is not None:
        for view in world.mappings.values():
            view.close()
        world.mappings.clear()
        drive.unmount()
        drive.mount()


def image_secondary(world: World) -> None:
    """Somebody makes an image of the secondary."""
    world.image_secondary()


def old_secondary(world: World) -> None:
    """The image is put back, over what the secondary has become since."""
    with world.oracle.destroying():
        world.old_secondary()


def second_pair(world: World) -> None:
    """A second secondary of the same primary, with a night."""
    with suppress(NightferryError):
        world.second_night()


def new_primary(world: World, second: bool = False) -> None:
    """The primary is gone; a new drive is filled from the copy of the pair, or of the second pair."""
    if world.drives is None:
        with suppress(NightferryError):
            world.new_primary(second=second)


# --- drawing


def _at(draw: Draw) -> int:
    return draw.random.randrange(100_000)


def _rot_retired(draw: Draw) -> Args | None:
    found = [name for name, _ in _retired(draw.world)]
    if not found:
        return None
    path = draw.random.choice(found)
    return {"path": path, "which": draw.random.randrange(found.count(path)), "at": _at(draw)}


def _of_file(draw: Draw) -> Args | None:
    path = draw.of("f")
    return None if path is None else {"path": path, "at": _at(draw)}


def _disturbed(draw: Draw) -> Args | None:
    how = draw.random.choice(("kill", "kill", "kill after", "cut names", "cut data", "stop", "fail"))
    args: Args = {"how": how, "at": draw.random.randrange(1, 160)}
    if how == "fail":
        args |= {
            "number": draw.random.choice((errno.EIO, errno.ENOSPC, errno.EROFS)),
            "times": draw.random.choice((1, 3, 10_000)),
        }
    elif how.startswith("cut"):
        args["number"] = draw.random.randrange(6)
    return args


def _written_beside(draw: Draw) -> Args | None:
    step = drawn(draw, "change")
    return None if step is None else {"how": "act", "at": draw.random.randrange(1, 120), "step": step}


def _record(draw: Draw) -> Args:
    place = draw.random.choice(("working", "working", "sealed", "previous"))
    return {"place": place, "share": round(draw.random.random(), 4), "bit": draw.random.randrange(8)}


def _cell(draw: Draw) -> Args | None:
    path = draw.of("fd")
    if path is None:
        return None
    return {
        "place": draw.random.choice(("working", "working", "sealed")), "needle": os.path.basename(path),
        "which": draw.random.randrange(4), "bit": draw.random.randrange(8),
    }  # fmt: skip


_COLUMNS = (
    "parent", "name", "kind", "size_bytes", "mtime_ns", "inode", "mode", "digest", "digest",
    "algorithm", "since", "born",
)  # fmt: skip


def _column(draw: Draw) -> Args | None:
    path = draw.of("fd")
    if path is None:
        return None
    return {
        "place": draw.random.choice(("working", "working", "sealed")), "table": draw.random.choice(("entry", "past")),
        "column": draw.random.choice(_COLUMNS), "name": os.path.basename(path), "bit": draw.random.randrange(4),
    }  # fmt: skip


def _saved_meanwhile(draw: Draw) -> Args | None:
    rotten = [path for path, thing in draw.tree.things.items() if draw.world.oracle.is_rotten(thing.key)]
    if not rotten:
        return None
    path = draw.random.choice(rotten)
    return {"between": ("save", {"path": path, "number": draw.number(), "size": 500})}


def _chosen(draw: Draw) -> Args | None:
    damage = sorted(path for path, side in (draw.world.last.damage if draw.world.last else ()) if side == "primary")
    if not damage:
        return None
    source = draw.random.choice((b"secondary", b"primary"))
    return {"action": "choose", "path": draw.random.choice(damage), "source": source}


def _nothing(draw: Draw) -> Args:
    return {}


def _back(draw: Draw) -> Args:
    return {"back": min(int(draw.random.expovariate(0.3)), 40), "alone": draw.chance(0.5)}


add("night", night, _nothing, weight=0, group="other")
add("disturbed_night", disturbed_night, _disturbed, weight=6, group="event")
add("busy_night", disturbed_night, _written_beside, weight=3, group="event")
add("pressed_night", pressed_night, _nothing, weight=1, group="event")
add("restore", restore, _back, weight=0, group="other")
add("history", history, _back, weight=0, group="other")
add("restore_all", restore_all, _nothing, weight=0, group="other")
add("converge", converge, _nothing, weight=0, group="other")
add("rot_primary", rot_primary, _of_file, weight=4, group="event")
add("rot_copy", rot_copy, _of_file, weight=3, group="event")
add("rot_retired", rot_retired, _rot_retired, weight=2, group="event")
add("flip_record", flip_record, _record, weight=2, group="event")
add("flip_cell", flip_cell, _cell, weight=2, group="event")
add("flip_column", flip_column, _column, weight=2, group="event")
add("spoil_records", spoil_records, lambda draw: {"place": _record(draw)["place"]}, weight=1, group="event")
add("spoil_lists", spoil_lists, lambda draw: {"at": round(draw.random.random(), 4)}, weight=0.5, group="event")
add("lose_state", lose_state, _nothing, weight=2, group="event")
add("lose_state_only", lose_state_only, _nothing, weight=1, group="event")
add("half_state", half_state, _nothing, weight=1, group="event")
add("old_state", old_state, lambda draw: {"back": draw.random.randrange(1, 5)}, weight=1, group="event")
add("pair_again", pair_again, _nothing, weight=0.5, group="event")
add(
    "clock",
    clock,
    lambda draw: {"days": draw.random.choice((0, 0, 0, -3, -400, 2, YEAR_DAYS))},
    weight=1.5,
    group="event",
)
add("release", release, _nothing, weight=2, group="event")
add(
    "mend", mend, lambda draw: {"action": draw.random.choice(("restore", "restore", "accept"))}, weight=3, group="event"
)
add("mend_saved_meanwhile", mend, _saved_meanwhile, weight=2, group="event")
add("verify", verify, _nothing, weight=2, group="event")
add(
    "write_into_copy", write_into_copy,
    lambda draw: {"path": draw.of("f") or draw.free(), "number": draw.number()}, group="event",
)  # fmt: skip
add("delete_from_copy", delete_from_copy, lambda draw: {"path": draw.of("f") or draw.free()}, group="event")
add("empty_primary", empty_primary, _nothing, weight=0.3, group="event")
add("remount", remount, _nothing, weight=0.5, group="event")
add("second_pair", second_pair, _nothing, weight=0.3, group="event")
add("new_primary", new_primary, lambda draw: {"second": draw.chance(0.3)}, weight=0.5, group="event")
add("mend_chosen", mend, _chosen, weight=1, group="event")
add("image_secondary", image_secondary, _nothing, weight=0.7, group="event")
add("old_secondary", old_secondary, _nothing, weight=0.4, group="event")
