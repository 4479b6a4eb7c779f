"""Mornings of all sorts: pairs with the nights that lead to them, and the pages that these leave.

Small files stand for large ones; what a year of nights came to is written into the manifest as runs would.
"""

from __future__ import annotations

import errno
import json
import os
import random
from collections.abc import Callable
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path

from harness import DAY_S, Pair

from drives import MIB, DriveFactory
from effects_faults import Call, FailingCalls
from nightferry.manifest.fixity import Coverage
from nightferry.manifest.manifest import FILE_NAME, Manifest
from nightferry.manifest.records import Content
from nightferry.manifest.rehearsals import Rehearsals, Rehearsed
from nightferry.night.context import Tally, Unwatched
from nightferry.night.mending import MENDED
from nightferry.night.run import Result, run_night
from nightferry.reporting.page.reports import leave_night_report, leave_refusal
from nightferry.reporting.standing.status import Reason
from nightferry.tree.effects import Effects
from nightferry.tree.metadata import Kind, Stat

GIB = 1 << 30
CONCERT = "2026-05 spring concert"
# Names that would do harm where they were not made harmless.
HOSTILE = (
    b"<script>alert(1)<!--.wav",
    b'"><img src=x onerror=alert(1)>.wav',
    b"kyrie\xe2\x80\xaevaw.exe",  # a right-to-left override
    b"\xe2\x81\xa6isolated\xd7\xa7\xd7\x95\xd7\x9c.wav",  # an isolate that is not closed, and Hebrew
    b"clear\x1b[2J\x1b]0;title\x07.wav",  # terminal escapes
    b"h\xffndel \xc3\x28.wav",  # not UTF-8
    b"two\nlines\r.wav",
    b"&lt;entities&amp;&#60;.wav",
    b"{{ 7 * 7 }}{% raw %}.wav",
    b"--><style>body{display:none}<style>.wav",
    b"javascript:alert(1)",
    b"https:--example.invalid-x.wav",
    b"-rf --no-preserve-root",
    b"\xf0\x9f\x8e\xb5" * 20 + b".wav",
    b"x" * 255,
)


def night(pair: Pair, **given: object) -> Result:
    """A night that leaves its report."""
    return run_night(
        pair.settings, pair.state_dir, Unwatched(), clock=pair.clock, report=leave_night_report,
        **given,  # type: ignore[arg-type]
    )  # fmt: skip


def latest(pair: Pair) -> Path:
    """The page that a person opens."""
    return pair.state_dir / pair.settings.name / "reports" / "latest.html"


# --- scenes: each leaves a pair whose latest page is the one to be looked at


def first_night(pair: Pair) -> None:
    """Everything is new."""
    _fill(pair)
    night(pair)


def quiet(pair: Pair) -> None:
    """Nothing happened, after some weeks of nights."""
    _nights_before(pair, 40)
    _fill(pair)
    night(pair)
    _rehearsed(pair)
    _next(pair)


def busy(pair: Pair) -> None:
    """Something of each kind, and all that is out of the ordinary."""
    _nights_before(pair, 60)
    _fill(pair)
    pair.write("old takes/list.txt", "first")
    for number in range(60):
        pair.write(f"2019 rehearsals/take {number:02}.wav", os.urandom(3000 + number))
    night(pair)
    _rehearsed(pair)
    concert = pair.at(CONCERT)
    (concert / "02 gloria.wav").rename(concert / "02 gloria in excelsis.wav")
    (concert / "03 credo.wav").unlink()
    (concert / "04 sanctus.wav").chmod(0o600)
    list_ = pair.at("old takes/list.txt")
    before = os.stat(list_)
    new = pair.write("old takes/new", "other words")
    os.utime(new, ns=(before.st_atime_ns, before.st_mtime_ns))
    new.rename(list_)
    for number in range(60):
        pair.at(f"2019 rehearsals/take {number:02}.wav").unlink()
    pair.at("2019 rehearsals").rmdir()
    for number in range(1, 16):
        pair.write(f"2026-06 summer tour/day {number % 3 + 1}/{number:02} take.flac", os.urandom(4000 * number))
    pair.write("2026-06 summer tour/poster.psd", os.urandom(90_000))
    pair.write("2026-06 summer tour/readme.locked", "?")
    os.mkfifo(pair.at("a pipe"))
    _day_before(pair, ["2026-06 summer tour/raw upload.tmp", "2026-06 summer tour/~lock"])
    _next(pair)


def hold(pair: Pair) -> None:
    """So much is gone that nothing is removed."""
    _nights_before(pair, 20)
    _fill(pair)
    for number in range(40):
        pair.write(f"2019 rehearsals/take {number:02}.wav", os.urandom(2000))
    night(pair)
    for number in range(40):
        pair.at(f"2019 rehearsals/take {number:02}.wav").unlink()
    pair.set(hold_count=20)
    pair.write(f"{CONCERT}/07 encore.wav", os.urandom(5000))
    _next(pair)


def failed(pair: Pair) -> None:
    """The secondary's state is newer than what this box knows: no night can begin."""
    _nights_before(pair, 20)
    _fill(pair)
    night(pair)
    reasons = (
        Reason(
            "absent_secondary",
            'The secondary of the pair "recordings" is not mounted at /srv/recordings-second: plug it in and switch it'
            " on, mount it, then run the night with `nightferry run recordings`.",
        ),
    )
    pair.clock.pass_days(1)
    folder = pair.state_dir / pair.settings.name
    assert leave_refusal(pair.settings, folder, "failed", reasons, pair.clock.now_s(), Effects()) == []


def failed_half_way(pair: Pair) -> None:
    """A night that began, and whose secondary then failed."""
    _nights_before(pair, 20)
    _fill(pair)
    night(pair)
    pair.write(f"{CONCERT}/07 encore.wav", os.urandom(5000))
    pair.clock.pass_days(1)

    def of_the_new_one(call: Call, _: int) -> bool:
        names = [each for each in call.args if isinstance(each, bytes)]
        return call.name.startswith("rename") and any(name.startswith(b"07") for name in names)

    result = night(pair, effects=FailingCalls(of_the_new_one, errno.EIO))
    assert result.outcome == "failed", result


def year(pair: Pair) -> None:
    """A year of nights, a drive that fills, and restore tests."""
    _nights_before(pair, 364)
    _fill(pair)
    night(pair)
    _rehearsed(pair)
    _next(pair)


def many_changes(pair: Pair, count: int = 100_000) -> None:
    """A night with so many changes, in many folders and under long names."""
    _nights_before(pair, 30)
    _fill(pair)
    result = night(pair)
    _enter_changes(pair, result.number, count)
    _page_again(pair, result)


def hostile_names(pair: Pair) -> None:
    """Names that act on a page or a terminal, in every list that a page has."""
    _nights_before(pair, 8)
    _fill(pair)
    folder = os.fsencode(pair.primary) + b"/<b>folder<b> \x1b[31m\xe2\x80\xae"
    os.mkdir(folder)
    for number, name in enumerate(HOSTILE[: len(HOSTILE) // 2]):
        for place in (os.fsencode(pair.primary), folder):
            _write(place + b"/" + name, b"%d" % number)
    night(pair)
    for number, name in enumerate(HOSTILE):
        _write(folder + b"/" + name, b"again %d" % number)
        os.mkfifo(os.fsencode(pair.primary) + b"/pipe " + name[:240])
    for name in HOSTILE[:4]:
        os.rename(os.fsencode(pair.primary) + b"/" + name, os.fsencode(pair.primary) + b"/moved " + name)
    _write(os.fsencode(pair.primary) + b"/strange.<i>\xe2\x80\xae", b"an ending")
    _day_before(pair, [name.decode("utf-8", "replace") for name in HOSTILE])
    with pair.manifest(writable=True) as manifest:
        for name in HOSTILE:
            manifest.runs.find_damage(name, "primary", "decayed", "verify", 9, 1.0, "read <b>bad</b> \x1b[31m")
    _next(pair)


SCENES: dict[str, Callable[[Pair], None]] = {
    "first": first_night, "quiet": quiet, "busy": busy, "hold": hold, "failed": failed,
    "failed-half-way": failed_half_way, "year": year, "many": many_changes, "hostile": hostile_names,
}  # fmt: skip


def damaged(drives: DriveFactory, state: Path, side: int, *, again: bool = False) -> Pair:
    """Rot on the primary (0), which stays open, or on the secondary (1), which is mended; needs real drives.

    ``again``: two nights before found some there as well.
    """
    both = (drives("ext4", 96 * MIB), drives("ext4", 192 * MIB))
    pair = Pair(*both, state)
    _nights_before(pair, 20)
    _fill(pair)
    night(pair)
    place = pair.at(f"{CONCERT}/01 kyrie.wav") if side == 0 else pair.copy / f"{CONCERT}/01 kyrie.wav"
    both[side].flip_byte(place, 100)
    for drive in both:
        drive.drop_caches()
    if again:
        with pair.manifest(writable=True) as manifest:
            for number, name in ((7, b"old takes/12 warm-up.wav"), (15, b"programme.txt")):
                found_s = pair.clock.now_s() - (21 - number) * DAY_S
                manifest.runs.find_damage(
                    name, "secondary", "decayed", "verify", number, found_s, "its content is not what was written"
                )
                manifest.runs.close_damage(name, "secondary", number, MENDED)
    pair.clock.pass_days(1.01)
    night(pair)
    return pair


def pair_in(folder: Path, **settings: object) -> Pair:
    """A pair of plain folders."""
    return Pair(folder / "primary", folder / "secondary", folder / "state", **settings)


# --- parts of them


def _fill(pair: Pair) -> None:
    for number, name in enumerate(("kyrie", "gloria", "credo", "sanctus", "benedictus", "agnus dei"), start=1):
        pair.write(f"{CONCERT}/{number:02} {name}.wav", os.urandom(20_000 * number))
    pair.write("programme.txt", "Kyrie, Gloria, Credo\n" * 200)


def _write(path: bytes, content: bytes) -> None:
    with open(path, "wb") as file:
        file.write(content)


def _next(pair: Pair) -> Result:
    pair.clock.pass_days(1)
    return night(pair)


def _nights_before(pair: Pair, count: int, *, total_bytes: int = 1800 * GIB) -> None:
    """Runs that ended before, one a day, as their summaries would be."""
    chance = random.Random(7)
    start_s = pair.clock.now_s() - (count + 1) * DAY_S
    used = 900 * GIB
    with pair.manifest(writable=True) as manifest:
        for number in range(1, count + 1):
            began_s = start_s + number * DAY_S + chance.uniform(-60, 60)
            tally = Tally(scanned_files=40_000)
            is_busy = chance.random() < 0.6
            if number == 1:
                tally.added, tally.added_bytes = 40_000, used
            elif is_busy:
                tally.added, tally.added_bytes = 30, int(chance.lognormvariate(21.5, 1))
                tally.changed, tally.changed_bytes = 5, int(chance.lognormvariate(19.5, 1))
                tally.moved, tally.moved_bytes = 2, int(chance.lognormvariate(19, 1.5))
                tally.removed, tally.removed_bytes = 3, int(chance.lognormvariate(19, 1.2))
            written = tally.added_bytes + tally.changed_bytes
            tally.written_bytes = written
            used += 0 if number == 1 else written
            rate = chance.gauss(78, 6) * MIB
            summary = {
                "state": "sound", "tally": asdict(tally), "notes": [], "open_damage": 0,
                "phase_s": {"copy": written / rate, "verify": 3600.0},
                "reading": {
                    "primary": {"bytes": 30 * GIB, "s": 30 * GIB / (chance.gauss(105, 4) * MIB)},
                    "secondary": {"bytes": 30 * GIB, "s": 30 * GIB / (chance.gauss(88, 9) * MIB)},
                },
                "room": {"secondary": {"free_bytes": total_bytes - used, "total_bytes": total_bytes}},
            }  # fmt: skip
            manifest.runs.start(number, f"{number:06}-2026-01-01T023000Z", began_s)
            outcome = "partial" if chance.random() < 0.05 else "complete"
            manifest.runs.end(number, began_s + 4000, outcome, json.dumps(summary))


def real_drives_of(pair: Pair, *, total_bytes: int = 1800 * GIB) -> None:
    """For pictures: the real nights' drives, and what was read of them, as large as those of the nights before."""
    with pair.manifest(writable=True) as manifest:
        runs = list(manifest.runs.all())
        rooms = [json.loads(run.summary).get("room", {}).get("secondary") for run in runs]
        found = next((each for each in rooms if each and each["total_bytes"] == total_bytes), None)
        found = found or {"free_bytes": total_bytes // 2, "total_bytes": total_bytes}
        for run in runs[:2]:
            summary = json.loads(run.summary)
            summary["room"] = {"secondary": found, "primary": {**found, "free_bytes": found["free_bytes"] // 2}}
            now_s = int(pair.clock.now_s())
            whole = found["total_bytes"] - found["free_bytes"]
            for place, size in (("primary", whole), ("secondary", whole), ("retired", whole // 30)):
                parts = tuple((share * 400, int(size * share / 100)) for share in (4, 24, 71, 0, 0))
                in_time = sum(each for _, each in parts)
                covered = Coverage(39_990, 40_000, in_time, size, 10, 0, 0, now_s - 29 * DAY_S, parts)
                summary.setdefault("coverage", {})[place] = asdict(covered)
            summary["drives"] = _DRIVES
            manifest.runs.end(run.number, run.ended_s or 0.0, run.outcome or "failed", json.dumps(summary))


# As night/drive_notes.py leaves them: one drive that is well, one whose link fell back and that has a bad sector.
_DRIVES = [
    {"about": about, "code": code, "state": state, "found": found, "meaning": meaning, "todo": todo}
    for about, code, state, found, meaning, todo in (
        ("primary", "drive", "ok", "sda (Choir 2TB, 5Z1K) is a drive with platters.", "", ""),
        ("primary", "link", "ok", "sda hangs on USB at 5 Gb/s: at most 428.0 MiB/s.", "", ""),
        ("primary", "health", "ok", "sda says that it is well: 12,345 h on, 34 \u00b0C, no bad sectors.", "", ""),
        ("secondary", "drive", "ok", "sdb (Choir 2TB, 7Q2M) is a drive with platters.", "", ""),
        ("secondary", "link", "attention", "sdb hangs on USB at 480 Mb/s. It says that it could run faster.",
         "A drive that fell back to USB 2.0 is several times slower, and nothing else tells.",
         "Plug it into a port for USB 3 (often blue), with another cable."),
        ("secondary", "health", "not known", "How healthy sdb is",
         "the drive, or the bridge in front of it, does not pass this question on", ""),
        ("pair", "shared", "note", "Both drives hang on one hub.", "They share what it carries.", "Use two ports."),
    )
]  # fmt: skip


def _rehearsed(pair: Pair) -> None:
    now_s = pair.clock.now_s()
    with pair.manifest(writable=True) as manifest:
        last = manifest.runs.last()
        assert last is not None
        summary = {
            "stamp": last.stamp, "ended_s": now_s, "outcome": "passed", "files": 459, "bytes": 14 * GIB,
            "mismatches": 0, "confidence": 0.95, "files_share": 0.0065, "bytes_share": 0.0099,
            "rate_bytes_per_s": 88 * MIB, "local_s": 11_000.0, "network_s": 12_400.0,
        }  # fmt: skip
        made = Rehearsed(last.stamp, last.number, now_s - 600, now_s, "passed", False, json.dumps(summary))
        Rehearsals(manifest.database).enter(made)


def _day_before(pair: Pair, gone: list[str]) -> None:
    """What was seen by day, as the daemon leaves it when it begins the next night."""
    from nightferry.reporting.look.moments import moment

    until_s = pair.clock.now_s() + DAY_S
    found = {
        "format": 1, "since": moment(until_s - 70_000), "until": moment(until_s), "complete": True, "incomplete": [],
        "created": 20, "changed": 3, "deleted": 2, "moved": 0, "came_and_went_count": len(gone) + 30,
        "came_and_went": [{"path": each, "came": moment(until_s), "went": moment(until_s)} for each in gone],
        "busiest": [],
    }  # fmt: skip
    (pair.state_dir / pair.settings.name / "day.json").write_text(json.dumps(found))


def _enter_changes(pair: Pair, run: int, count: int) -> None:
    """``count`` files as a run would have entered them: most of them added, some removed."""
    stat = Stat(Kind.FOLDER, 0, 0, 0, 1, 0o755, 0, 0, 1, 0)
    chance = random.Random(3)
    with pair.manifest(writable=True) as manifest, manifest.database.transaction():
        folders = []
        for number in range(500):
            folders.append(manifest.entries.insert(1, b"%04d \xc3\xbcbung" % number, stat, Content(), None, run))
        for number in range(count):
            name = b"%06d %s.%s" % (
                number,
                b"long name " * chance.randrange(1, 23),
                b"wav" if number % 7 else b"tmp%d" % (number % 600),
            )
            file = stat._replace(kind=Kind.FILE, size_bytes=chance.randrange(1, 1 << 28))
            entry = manifest.entries.insert(
                folders[chance.randrange(500) if number % 3 else 3],
                name[:255],
                file,
                Content(),
                None,
                run - (number % 10 == 0),
            )
            if number % 10 == 0:
                manifest.past.keep(entry, run, "removed", b"%06d/x%d" % (run, number))
                manifest.database.connection.execute("DELETE FROM entry WHERE id = ?", (entry,))


def _page_again(pair: Pair, result: Result) -> None:
    """Makes the page of a night again, whose manifest was changed by hand."""
    from nightferry.reporting.page.gather import gather_night
    from nightferry.reporting.page.page import render

    folder = pair.state_dir / pair.settings.name
    with Manifest.look(folder / FILE_NAME, Effects(), in_use=False) as manifest:
        facts = gather_night(pair.settings, manifest, result.number, now_s=pair.clock.now_s(), state_folder=folder)
        latest(pair).write_bytes(render(facts))


def page_again(pair: Pair) -> None:
    """The newest night's page, made again."""
    with pair.manifest() as manifest:
        run = manifest.runs.last()
    assert run is not None
    _page_again(pair, Result(pair.settings.name, run.number, run.outcome or "", Tally()))


DEFAULTS = {"verify_cycle": timedelta(days=30)}
