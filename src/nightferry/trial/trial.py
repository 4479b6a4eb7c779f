"""``nightferry trial``: a whole demonstration in a temporary place, told as a story whose every claim is checked."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from nightferry.errors import Failed, WrongUse
from nightferry.night.pairing import make_pair
from nightferry.reporting.look.terminal import printable
from nightferry.trial.screen import Screen
from nightferry.trial.stage import PAIR, Meddle, NotAsTold, Place, Stage
from nightferry.trial.story import CHAPTERS
from nightferry.units import format_duration, format_size, json_name, show_text

AS_TOLD, NOT_AS_TOLD = 0, 4

# The recordings twice, what is retired, and as much again for what a file system adds.
_NEEDED_BYTES = 128 * 1024**2


def run_trial(*, keep: bool, folder: Path | None, json_output: bool, meddle: Meddle | None = None) -> int:
    """Plays the trial below ``folder`` (by default the system's place for temporary files).

    Args:
        keep: leave everything there at the end, and say where; otherwise nothing is left behind.
        folder: an existing folder; the trial makes one of its own in it and touches nothing else.
        json_output: one JSON object at the end instead of the story.
        meddle: for tests; called after each night with its number and the place.

    Returns:
        0 where everything was as told, 4 where not; 130 and 143 after Ctrl-C and SIGTERM, as a shell has it.

    Raises:
        WrongUse: ``folder`` is not a folder that can be written to.
        Failed: there is no room, or the place cannot hold what the trial puts there.
    """
    # A terminal that cannot show "ü" gets an escape, not a traceback.
    if hasattr(sys.stdout, "reconfigure"):
        sys.stdout.reconfigure(errors="backslashreplace")
    screen = Screen(quiet=json_output)
    started_s = time.monotonic()
    try:
        with _signals(_raise_stopped), _place(folder, keep=keep) as (place, kept):
            stage = Stage(place, screen, meddle)
            as_told = _tell(stage)
            kept.extend([place] * keep)
            seconds = time.monotonic() - started_s
            if as_told:
                _where_to_look(stage, seconds, keep=keep)
    except _Stopped as stopped:
        screen.heading("Stopped; what the trial had made is removed.")
        return 128 + stopped.signal
    if not as_told:
        screen.heading("Not everything was as told: please report this, with the lines above.")
        screen.text(
            f"All of it is in {show_text(str(place.folder))}." if keep else "`nightferry trial --keep` leaves it there."
        )
    if json_output:
        print(json.dumps(_as_json(stage, as_told, seconds, keep=keep), indent=2))
    return AS_TOLD if as_told else NOT_AS_TOLD


def _tell(stage: Stage) -> bool:
    """Plays all chapters, or until one was not as told."""
    place, screen = stage.place, stage.screen
    screen.title("nightferry trial")
    screen.text(
        f"Two folders in {show_text(str(place.folder))} stand for two drives, since mounting needs root: the primary,"
        f" {place.primary.name}/, which people use, and the secondary, {place.secondary.name}/. The choir and its days"
        " are invented; the nights are real, and each line marked “checked” was found so by looking, just now."
    )
    make_pair(stage.settings, place.state_dir, lambda _: True)
    try:
        for chapter in CHAPTERS:
            stage.begin(chapter.name, chapter.title)
            chapter.tell(stage)
            stage.end()
    except NotAsTold:
        return False
    except OSError as error:
        # Something that every chapter counts on is gone: its folder, a list, the room.
        stage.check("everything is where it belongs", False, error)
        return False
    return True


def _where_to_look(stage: Stage, seconds: float, *, keep: bool) -> None:
    place, screen = stage.place, stage.screen
    claims = sum(len(chapter.claims) for chapter in stage.told)
    config = printable(shlex.quote(str(place.config))) if keep else place.config.name
    screen.heading("Where to look")
    if keep:
        screen.text(f"{show_text(str(place.folder))} is left as it is; remove it when you are done. In it:")
    else:
        screen.text("With --keep all of this stays, to be looked at and listened to:")
    screen.table(
        [
            (f"{place.primary.name}/", "the primary"),
            (f"{place.secondary.name}/", "the secondary:"),
            ("  copy/", "the plain copy, readable on any machine"),
            ("  retired/", "what nights displaced, each under its own date"),
            ("  records/", "the sealed manifest and the checksums"),
            (place.config.name, "the configuration of these two, to go on with"),
        ]
    )
    screen.command(f"nightferry --config {config} lastnight")
    screen.text(
        "The quick start in the README does the same with two real drives. A second drive in the same box does not"
        " survive fire, theft or a power surge: keep a third copy elsewhere. And a copy that nobody looks at may have"
        " stopped long ago: look at the morning's report."
    )
    screen.text(f"{stage.nights} nights, {claims} claims checked, {format_duration(seconds)}.", style="dim")


def _as_json(stage: Stage, as_told: bool, seconds: float, *, keep: bool) -> dict[str, object]:
    chapters = [
        {"name": each.name, "title": each.title, "as_told": each.holds, "facts": each.facts, "claims": each.claims}
        for each in stage.told
    ]
    where = json_name(bytes(stage.place.folder)) if keep else None
    return {"as_told": as_told, "pair": PAIR, "duration_s": round(seconds, 3), "kept_in": where, "chapters": chapters}


# --- the place


@contextmanager
def _place(folder: Path | None, *, keep: bool) -> Iterator[tuple[Place, list[Place]]]:
    """A folder of the trial's own, gone at the end unless it is put on the list that comes with it."""
    _check_names()
    within = Path(tempfile.gettempdir()) if folder is None else folder
    try:
        str(within).encode()
        # realpath: /tmp may be a symlink, and a configuration names real folders.
        own = Path(os.path.realpath(tempfile.mkdtemp(prefix="nightferry-trial-", dir=within)))
    except UnicodeEncodeError as error:
        raise WrongUse(
            f"The name of the folder {show_text(str(within))} is not valid UTF-8, so that no configuration can name"
            " it: choose another one with --folder."
        ) from error
    except OSError as error:
        raise WrongUse(
            f"The trial cannot make its folder in {show_text(str(within))} ({error.strerror}): give --folder an"
            " existing folder that you may write to."
        ) from error
    kept: list[Place] = []
    try:
        free_bytes = shutil.disk_usage(own).free
        if free_bytes < _NEEDED_BYTES:
            raise Failed(
                f"There is too little room for the trial in {show_text(str(within))}: {format_size(free_bytes)} are"
                f" free, and it takes up to {format_size(_NEEDED_BYTES)}; choose another place with --folder."
            )
        place = Place(own)
        place.primary.mkdir()
        place.secondary.mkdir()
        place.config.write_text(place.config_text(), encoding="utf-8")
        yield place, kept
    finally:
        if not kept:
            _remove(own)


def _check_names() -> None:
    """Python takes file names in the encoding of the locale, in the C locale UTF-8 unless somebody forbids it."""
    encoding = sys.getfilesystemencoding()
    try:
        "Übers".encode(encoding)
    except UnicodeEncodeError as error:
        raise WrongUse(
            f"Some recordings of the trial have letters in their names that this locale ({encoding}) does not know: set"
            " LC_ALL to C.UTF-8, and PYTHONUTF8 to nothing."
        ) from error


def _remove(own: Path) -> None:
    """Once begun it is carried through: a second Ctrl-C would leave half of it."""
    with _signals(signal.SIG_IGN):
        try:
            shutil.rmtree(own)
        except OSError as error:
            raise Failed(
                f"The trial could not remove its folder {show_text(str(own))} ({error.strerror}): remove it by hand."
            ) from error


# --- signals


class _Stopped(BaseException):
    """Like KeyboardInterrupt no ``Exception``, so that nothing on the way takes it for an error of its own."""

    def __init__(self, number: int) -> None:
        self.signal = number


def _raise_stopped(number: int, frame: FrameType | None) -> None:
    raise _Stopped(number)


@contextmanager
def _signals(handler: Callable[[int, FrameType | None], None] | signal.Handlers) -> Iterator[None]:
    """SIGINT, SIGTERM and SIGHUP handled in one way for a time; signals belong to the main thread."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)
