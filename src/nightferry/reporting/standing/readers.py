"""Who may open the reports: everybody, or only the user that runs the nights (``reports_public``).

Reports are to be read over a file share, by somebody who is not root. All else beside them says every name on the
drive and stays private: it is closed before the way to the reports is opened.
"""

from __future__ import annotations

import os
import stat

from nightferry.reporting.standing.status import FILE_NAME as STATUS
from nightferry.tree.root import Root, join

_REPORTS = b"reports"
# In the state's folder, whose own setting says who may read it.
_OTHERS = frozenset({_REPORTS, os.fsencode(STATUS), os.fsencode(STATUS) + b".new"})
_OF_OTHERS = 0o077
_WAY, _OPEN, _CLOSED = 0o711, 0o755, 0o700


def settle_readers(root: Root, folder: bytes, *, public: bool) -> None:
    """Opens ``folder``/reports to all and closes what stands beside it, or closes both.

    Args:
        folder: ``records`` on a secondary; ``b""`` for the folder of a pair's state.

    Raises:
        OSError: it could not be done, as on a file system that has no modes, whose mount options say who may read
            what. Then the way to the reports was not opened.
    """
    at_state = not folder
    has_status = False
    for name in root.names(folder):
        path = join(folder, name)
        found = root.stat_or_none(path)
        if found is None:
            continue
        if at_state and name == os.fsencode(STATUS):
            has_status = bool(found.st_mode & stat.S_IROTH)
        elif not (at_state and name in _OTHERS) and name != _REPORTS and found.st_mode & _OF_OTHERS:
            _set(root, path, found, stat.S_IMODE(found.st_mode) & ~_OF_OTHERS)
    reports = join(folder, _REPORTS)
    if (found := root.stat_or_none(reports)) is not None:
        _set(root, reports, found, _OPEN if public else _CLOSED)
    _set(root, folder, root.stat(folder), _WAY if public or has_status else _CLOSED)


def _set(root: Root, path: bytes, found: os.stat_result, mode: int) -> None:
    """Changes a mode where it is another one: most nights nothing is written."""
    if stat.S_IMODE(found.st_mode) == mode or not (stat.S_ISREG(found.st_mode) or stat.S_ISDIR(found.st_mode)):
        return
    if stat.S_ISDIR(found.st_mode):
        root.effects.chmod(root.folder(path), mode)
        return
    fd = root.open_to_read(path)
    try:
        root.effects.chmod(fd, mode)
    finally:
        root.effects.close(fd)
