"""Where morning reports go: ``records/reports/`` on the secondary, and ``reports/`` beside the pair's state.

One page a night, ``night-STAMP.html``, and ``latest.html``: the newest of them, or why no night could run.
"""

from __future__ import annotations

import errno
import os
import re
from pathlib import Path

from nightferry.errors import AbsentDrive, Busy, NightferryError
from nightferry.manifest.manifest import FILE_NAME
from nightferry.night.context import RECORDS, STAGING, Night
from nightferry.night.preflight import lock_pair, open_drives
from nightferry.night.run import Result
from nightferry.recovery.rehearsing.reports import IN_STATE, REPORTS
from nightferry.reporting.look.logs import Logger
from nightferry.reporting.standing import status
from nightferry.reporting.standing.readers import settle_readers
from nightferry.reporting.standing.status import Reason
from nightferry.settings import PairSettings
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root, join
from nightferry.tree.small_files import leave_files, let_old_go, sync_names
from nightferry.volumes.lock import REPORT

LATEST = b"latest.html"
# A page takes some 50 KiB, after the busiest of nights 2 MiB. The state may lie on a small flash card.
KEPT_ON_SECONDARY = 120
KEPT_IN_STATE = 30

_MARK = b".report-"
_NAME = re.compile(rb"night-(\d{6,}-[0-9TZ:-]{10,30})\.html")
# link(2): a file system without hard links, or one that wants no more of them.
_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EMLINK, errno.ENOSYS)


def leave_night_report(night: Night, result: Result, state_folder: Path, to_secondary: bool) -> list[str]:
    """The report of a night that has ended; see ``night.run.LeaveReport``. Raises whatever making the page raises."""
    from nightferry.reporting.page.gather import gather_night
    from nightferry.reporting.page.page import render

    facts = gather_night(
        night.settings, night.manifest, night.number, now_s=night.clock.now_s(), state_folder=state_folder
    )
    page = render(facts)
    problems = []
    if to_secondary:
        try:
            _leave(night.secondary, REPORTS, STAGING, page, night.stamp, KEPT_ON_SECONDARY)
            if night.capabilities.modes:
                settle_readers(night.secondary, RECORDS, public=night.settings.reports_public)
        except OSError as error:
            problems.append(f"The morning report could not be written to the secondary ({_why(error)}).")
    return problems + _in_state(night.settings, state_folder, page, night.stamp, night.effects)


def leave_refusal(
    settings: PairSettings, state_folder: Path, state: str, reasons: tuple[Reason, ...], now_s: float, effects: Effects
) -> list[str]:
    """``latest.html`` in the state's folder, where no night began: the secondary may not be there.

    Returns sentences about what could not be written. Raises ``NightferryError`` where the manifest cannot be read.
    """
    from nightferry.reporting.page.gather import gather_refusal
    from nightferry.reporting.page.page import render

    page = render(gather_refusal(settings, state_folder, state, reasons, now_s=now_s, effects=effects))
    return _in_state(settings, state_folder, page, None, effects)


def bring_up_to_date(
    settings: PairSettings, state_dir: Path, command: str, now_s: float, *, on_secondary: bool = True
) -> None:
    """``latest.html`` in both places, after a command by hand changed what it says; the night's own page stays.

    ``on_secondary``: False leaves that drive asleep. Never fails: the command has done its work, and the next night
    writes a page. What cannot be written is logged.
    """
    problems: list[str] = []
    try:
        with lock_pair(state_dir, settings.name, REPORT) as folder:
            problems = _bring(settings, folder, command, now_s, Effects(), on_secondary=on_secondary)
    except Busy:
        return  # a run began, and leaves a page of its own
    except Exception as error:
        problems = [f"The morning report could not be brought up to date ({type(error).__name__}: {error})."]
    for problem in problems:
        Logger(pair=settings.name).warning(problem)


def _bring(
    settings: PairSettings, folder: Path, command: str, now_s: float, effects: Effects, *, on_secondary: bool
) -> list[str]:
    from nightferry.reporting.page.gather import gather_now
    from nightferry.reporting.page.page import render

    found = status.read(folder)
    if found is None or found.run is not None or not (folder / FILE_NAME).exists():
        return []
    facts = gather_now(settings, folder, found, command, now_s=now_s, effects=effects)
    if facts is None:
        return []
    page = render(facts)
    problems = _in_state(settings, folder, page, None, effects)
    if not on_secondary:
        return problems
    try:
        with open_drives(settings, effects, to_write=True) as drives:
            _leave(drives.secondary, REPORTS, STAGING, page, None, KEPT_ON_SECONDARY)
    except AbsentDrive:
        pass  # its page says until when it counts
    except (NightferryError, OSError) as error:
        why = _why(error) if isinstance(error, OSError) else str(error)
        problems.append(f"The morning report on the secondary could not be brought up to date ({why}).")
    return problems


def _in_state(
    settings: PairSettings, state_folder: Path, page: bytes, stamp: str | None, effects: Effects
) -> list[str]:
    try:
        fd = effects.open(state_folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        state = Root(fd, effects)
        try:
            _leave(state, IN_STATE.encode(), b"", page, stamp, KEPT_IN_STATE)
            settle_readers(state, b"", public=settings.reports_public)
        finally:
            state.close()
    except OSError as error:
        return [f"The morning report could not be written beside the state ({_why(error)})."]
    return []


def _leave(root: Root, folder: bytes, staging: bytes, page: bytes, stamp: str | None, kept_limit: int) -> None:
    if stamp is None:
        leave_files(root, folder, {LATEST: page}, staging=staging, mark=_MARK)
    else:
        name = f"night-{stamp}.html".encode("ascii")
        leave_files(root, folder, {name: page}, staging=staging, mark=_MARK)
        _name_latest(root, folder, staging, name, page)
        let_old_go(root, folder, _NAME, kept_limit)
    sync_names(root, folder)


def _name_latest(root: Root, folder: bytes, staging: bytes, name: bytes, page: bytes) -> None:
    """As a second name of the same file, so that the page is written once."""
    second = join(staging, _MARK + LATEST)
    try:
        root.link(join(folder, name), second)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        leave_files(root, folder, {LATEST: page}, staging=staging, mark=_MARK)
        return
    root.rename(second, join(folder, LATEST))
    if root.stat_or_none(second) is not None:
        root.unlink(second)  # both were one file already: then rename(2) does nothing


def _why(error: OSError) -> str:
    return error.strerror or str(error)
