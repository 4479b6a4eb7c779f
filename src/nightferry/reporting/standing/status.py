"""status.json: how a pair stands, for a person or a monitor, in the pair's state folder.

It is replaced in one step, so that a reader always finds a whole one, and it says until when it
counts: whoever reads it later than ``valid_until`` knows that a night did not report, and takes
that for a failure. Moments are texts in UTC (RFC 3339, "2026-05-03T00:30:07Z").
"""

from __future__ import annotations

import json
import os
import stat
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

from nightferry.manifest.covered import Coverage, Place
from nightferry.reporting.look import moments
from nightferry.reporting.standing.coverage import coverage_as_json, coverage_from_json

moment, unix = moments.moment, moments.unix

FILE_NAME = "status.json"
MANIFEST = "manifest.sqlite3"  # as manifest/manifest.py names it, which is slow to load
FORMAT = 1

SOUND, ATTENTION, FAILED = "sound", "attention", "failed"
STATES = (SOUND, ATTENTION, FAILED)  # from the best to the worst

# A status is a few KiB; more is not one.
_LIMIT_BYTES = 1 << 20
# A clock may be set back by this without the status coming from the future.
_CLOCK_TOLERANCE_S = 60.0


class Reason(NamedTuple):
    """Why a state is not, or only just, ``sound``. ``code`` is stable; ``sentence`` is for a person."""

    code: str
    sentence: str


@dataclass(frozen=True)
class RunFact:
    """A run that has ended, or was cut off (``ended`` and ``outcome`` None)."""

    number: int
    started: str
    ended: str | None
    outcome: str | None


@dataclass(frozen=True)
class RunProgress:
    """A run in progress; totals are None where they are not known yet."""

    number: int | None
    phase: str
    files: int
    bytes: int
    files_total: int | None
    bytes_total: int | None
    started: str


@dataclass(frozen=True)
class RoomLeft:
    """Room on the secondary. ``free_inodes`` is None where its file system does not count them."""

    free_bytes: int
    total_bytes: int
    free_inodes: int | None


@dataclass(frozen=True)
class UnprotectedFact:
    """New and changed files of which the secondary had no copy, or an older one, when a night ended; bytes of content.

    ``as_of``: when that night began, the newest one that got so far as to know. What came since is not counted.
    """

    files: int
    bytes: int
    as_of: str


@dataclass(frozen=True)
class HoldFact:
    """A hold that no night has carried out yet. ``removals``, ``replacements``: files that wait for it."""

    night: int
    removals: int
    replacements: int
    released: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class FullFact:
    """When the room above ``keep_free`` is used up at the pace of the last nights; None: never.

    ``soonest``, ``latest``: the bounds of 95 % confidence. Negative bytes a day: it empties.
    """

    soonest: str | None
    likely: str | None
    latest: str | None
    bytes_per_day: int
    nights: int


@dataclass(frozen=True)
class RehearsalFact:
    """The last restore test. Shares: at most so much cannot be restored, at ``confidence``; None: nothing was shown.

    ``local_s``, ``network_s``: how long a whole restore would take, to a drive here and over a gigabit network.
    """

    stamp: str
    ended: str
    outcome: str  # passed, short, mismatches, impossible
    files: int
    bytes: int
    mismatches: int
    confidence: float | None
    files_share: float | None
    bytes_share: float | None
    rate_bytes_per_s: int | None
    local_s: float | None
    network_s: float | None


@dataclass(frozen=True)
class Status:
    """What status.json says of one pair."""

    pair: str
    state: str
    outcome: str | None  # of the last run; None: there was none
    reasons: tuple[Reason, ...]
    written: str
    valid_until: str
    run: RunProgress | None = None
    last_run: RunFact | None = None
    last_complete: RunFact | None = None
    protected_as_of: str | None = None  # start of the last complete run: what stood then is on the secondary
    secondary_room: RoomLeft | None = None  # None: it was not there to be asked
    notes: tuple[str, ...] = field(default=())
    coverage: dict[Place, Coverage] = field(default_factory=dict)  # as the last run left it; empty: not known
    verify_cycle_s: float | None = None
    rehearsal: RehearsalFact | None = None  # None: there was none yet
    unprotected: UnprotectedFact | None = None  # None: no night has got so far as to know
    open_damage: int | None = None  # names; None: not known
    hold: HoldFact | None = None
    full: FullFact | None = None  # None: not enough nights have noted how full it was
    next_run: str | None = None  # when the next night starts by the configuration, as of ``written``

    def as_json(self) -> dict[str, Any]:
        """Plain values under the names that stand in the file."""
        found = asdict(self)
        found["reasons"] = [reason._asdict() for reason in self.reasons]
        found["notes"] = list(self.notes)
        found["coverage"] = coverage_as_json(self.coverage)
        return {"format": FORMAT, **found}


# --- writing


def write(folder: Path, status: Status, *, public: bool | None = None, durable: bool = True) -> None:
    """Replaces the pair's status; durable when it returns. Raises ``OSError``.

    Args:
        public: whether everybody may read it; None: those who may read the one before.
        durable: False for what is soon written anew: a sync makes a flash card write some 30 KiB of its journal. What a
            power cut leaves then is an older status or one that cannot be read, which says so.
    """
    text = json.dumps(status.as_json(), indent=2) + "\n"
    temporary, target = folder / (FILE_NAME + ".new"), folder / FILE_NAME
    if public is None:
        public = _is_public(target)
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    try:
        os.fchmod(fd, 0o644 if public else 0o600)
        os.write(fd, text.encode("ascii"))
        if durable:
            os.fsync(fd)
    finally:
        os.close(fd)
    os.replace(temporary, target)
    if not durable:
        return
    folder_fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder_fd)
    finally:
        os.close(folder_fd)


def _is_public(path: Path) -> bool:
    try:
        return bool(path.lstat().st_mode & stat.S_IROTH)
    except OSError:
        return False


def publish(folder: Path) -> None:
    """Lets everybody reach the status below ``folder``; of all else there only the reports have a rule of their own
    (readers.py). Raises ``OSError``."""
    with os.scandir(folder) as entries:
        for entry in entries:
            mode = stat.S_IMODE(entry.stat(follow_symlinks=False).st_mode)
            if entry.name not in (FILE_NAME, "reports") and mode & 0o077 and not entry.is_symlink():
                os.chmod(entry.path, mode & ~0o077)
    os.chmod(folder, 0o711)


# --- reading


class BadStatus(ValueError):
    """The file is there and is not a status; the message says how so."""


def read(folder: Path) -> Status | None:
    """The pair's status as it was written; None where there is none. Raises ``BadStatus`` and ``OSError``."""
    try:
        fd = os.open(folder / FILE_NAME, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    with os.fdopen(fd, "rb") as file:
        content = file.read(_LIMIT_BYTES + 1)
    if len(content) > _LIMIT_BYTES:
        raise BadStatus(f"it is larger than {_LIMIT_BYTES} bytes")
    try:
        return _status(json.loads(content))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError) as error:
        raise BadStatus("it is not as nightferry writes it") from error


def _status(found: dict[str, Any]) -> Status:
    if found["format"] != FORMAT:
        raise ValueError("another format")
    state = found["state"]
    if state not in STATES:
        raise ValueError("no such state")
    for key in ("written", "valid_until"):
        unix(found[key])
    if found["protected_as_of"] is not None:
        unix(found["protected_as_of"])
    run, room = found["run"], found["secondary_room"]
    return Status(
        pair=_text(found["pair"]),
        state=state,
        outcome=None if found["outcome"] is None else _text(found["outcome"]),
        reasons=tuple(Reason(_text(each["code"]), _text(each["sentence"])) for each in found["reasons"]),
        written=found["written"],
        valid_until=found["valid_until"],
        run=None if run is None else RunProgress(**_run(run)),
        last_run=_fact(found["last_run"]),
        last_complete=_fact(found["last_complete"]),
        protected_as_of=found["protected_as_of"],
        secondary_room=None
        if room is None
        else RoomLeft(int(room["free_bytes"]), int(room["total_bytes"]), _count(room["free_inodes"])),
        notes=tuple(_text(each) for each in found["notes"]),
        coverage=coverage_from_json(found.get("coverage")),
        verify_cycle_s=_seconds(found.get("verify_cycle_s")),
        rehearsal=_rehearsal(found.get("rehearsal")),
        unprotected=_unprotected(found.get("unprotected")),
        open_damage=_count(found.get("open_damage")),
        hold=_hold(found.get("hold")),
        full=_full(found.get("full")),
        next_run=_moment_or_none(found.get("next_run")),
    )


def _moment_or_none(found: str | None) -> str | None:
    if found is not None:
        unix(found)
    return found


def _unprotected(found: dict[str, Any] | None) -> UnprotectedFact | None:
    if found is None:
        return None
    unix(found["as_of"])
    return UnprotectedFact(int(found["files"]), int(found["bytes"]), found["as_of"])


def _hold(found: dict[str, Any] | None) -> HoldFact | None:
    if found is None:
        return None
    night, removals, replacements = (int(found[key]) for key in ("night", "removals", "replacements"))
    reasons = tuple(_text(each) for each in found["reasons"])
    return HoldFact(night, removals, replacements, found["released"] is True, reasons)


def _full(found: dict[str, Any] | None) -> FullFact | None:
    if found is None:
        return None
    soonest, likely, latest = (found[key] for key in ("soonest", "likely", "latest"))
    for day in (soonest, likely, latest):
        if day is not None:
            unix(day)
    return FullFact(soonest, likely, latest, int(found["bytes_per_day"]), int(found["nights"]))


def _rehearsal(found: dict[str, Any] | None) -> RehearsalFact | None:
    if found is None:
        return None
    unix(found["ended"])
    for key in ("stamp", "outcome"):
        _text(found[key])
    for key in ("files", "bytes", "mismatches", "rate_bytes_per_s"):
        _count(found[key])
    for key in ("confidence", "files_share", "bytes_share", "local_s", "network_s"):
        _seconds(found[key])
    return RehearsalFact(**found)


def _run(found: dict[str, Any]) -> dict[str, Any]:
    counts = {key: _count(found[key]) for key in ("number", "files", "bytes", "files_total", "bytes_total")}
    unix(found["started"])
    return {**counts, "phase": _text(found["phase"]), "started": found["started"]}


def _fact(found: dict[str, Any] | None) -> RunFact | None:
    if found is None:
        return None
    for key in ("started", "ended"):
        if found[key] is not None:
            unix(found[key])
    return RunFact(int(found["number"]), found["started"], found["ended"], found["outcome"])


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("not a text")
    return value


def _count(value: object) -> int | None:
    if value is not None and (not isinstance(value, int) or isinstance(value, bool)):
        raise TypeError("not a count")
    return value


def _seconds(value: object) -> float | None:
    if value is not None and (not isinstance(value, int | float) or isinstance(value, bool)):
        raise TypeError("not seconds")
    return value


# --- judging


def judged(pair: str, folder: Path, now_s: float) -> tuple[Status | None, str, tuple[Reason, ...]]:
    """The status, the state that counts now, and the reasons for it.

    A status that is missing, cannot be read, or is older than it promised is a failure by itself.
    """
    try:
        found = read(folder)
    except PermissionError:
        sentence = (
            "The status of this pair may not be read by this user: look as root, or as the user that runs the nights"
            " (`sudo nightferry status`), or set status_public = true for everybody."
        )
        return None, FAILED, (Reason("bad_status", sentence),)
    except (BadStatus, OSError) as error:
        why = str(error) if isinstance(error, BadStatus) else error.strerror
        sentence = f"The status of this pair cannot be read ({why}); the next run writes a new one."
        return None, FAILED, (Reason("bad_status", sentence),)
    if found is None:
        first = "" if (folder / MANIFEST).exists() else f"make the drives a pair with `nightferry pair {pair}`, then "
        sentence = f"No night has run here yet: {first}start one with `nightferry run {pair}`."
        return None, FAILED, (Reason("no_status", sentence),)
    if now_s > unix(found.valid_until):
        overdue = Reason(
            "stale_status",
            f"No night has reported since {shown_moment(found.written)}, and one had to by"
            f" {shown_moment(found.valid_until)}: see whether the machine was on and the service is running.",
        )
        return found, FAILED, (overdue, *found.reasons)
    if now_s < unix(found.written) - _CLOCK_TOLERANCE_S:
        future = Reason(
            "clock",
            f"The status was written at {shown_moment(found.written)}, which is yet to come by this machine's clock,"
            " so that nobody can tell how old it is: set the clock.",
        )
        return found, FAILED, (future, *found.reasons)
    return found, found.state, found.reasons


def shown_moment(written: str) -> str:
    """For a person, in the machine's own zone: "2026-05-03 02:30 +02:00"."""
    return moments.shown(unix(written))


def while_running(before: Status | None, pair: str, run: RunProgress, now_s: float, valid_until_s: float) -> Status:
    """The status during a run: what was true before still is, and nothing better is claimed."""
    if before is not None:
        return replace(before, run=run, written=moment(now_s))
    first = Reason("first_run", "The first night is under way; there is no complete copy yet.")
    return Status(pair, ATTENTION, None, (first,), moment(now_s), moment(valid_until_s), run=run)
