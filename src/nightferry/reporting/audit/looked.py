"""Up to which night somebody has looked: a small file of that person's own, on no drive of a pair."""

from __future__ import annotations

import json
import os
from pathlib import Path

from nightferry.errors import Failed

_FORMAT = 1
_LIMIT_BYTES = 1 << 20
_PAIRS_LIMIT = 1_000


def file_of_this_user() -> Path:
    """Below ``$XDG_STATE_HOME`` (XDG Base Directory Specification 0.8). Raises ``Failed`` without a home."""
    given = os.environ.get("XDG_STATE_HOME", "")
    if os.path.isabs(given):
        return Path(given) / "nightferry" / "looked.json"
    home = os.environ.get("HOME", "")
    if not os.path.isabs(home):
        raise Failed(
            "Nobody can say what you have looked at: neither HOME nor XDG_STATE_HOME names a folder of yours; set one,"
            " or give --night 10.. to say since which night."
        )
    return Path(home) / ".local" / "state" / "nightferry" / "looked.json"


def last_looked(file: Path, pair_id: str) -> int | None:
    """The newest night that was looked at; None for never, or where the file says nothing that can be read."""
    found = _read(file).get(pair_id)
    return found if isinstance(found, int) and not isinstance(found, bool) and found >= 0 else None


def note_looked(file: Path, pair_id: str, number: int) -> None:
    """Enters that all up to this night has been looked at. Raises ``Failed``."""
    nights = _read(file)
    nights.pop(pair_id, None)
    nights[pair_id] = number
    for oldest in list(nights)[: max(0, len(nights) - _PAIRS_LIMIT)]:
        del nights[oldest]
    new = file.with_name(file.name + ".new")
    try:
        file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        new.write_text(json.dumps({"format": _FORMAT, "nights": nights}) + "\n", encoding="ascii")
        os.replace(new, file)
    except OSError as error:
        raise Failed(
            f"That you have looked could not be noted in {file} ({error.strerror}): the same nights are shown next"
            " time; see to the rights on that folder, or set XDG_STATE_HOME."
        ) from error


def _read(file: Path) -> dict[str, object]:
    try:
        with open(file, "rb") as opened:
            found = json.loads(opened.read(_LIMIT_BYTES))
        nights = found["nights"] if found["format"] == _FORMAT else {}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}
    return dict(nights) if isinstance(nights, dict) else {}
