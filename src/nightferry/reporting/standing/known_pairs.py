"""Pairs of a configuration that was found right before: a monitor asks every minute, and checking takes half a second.

Whoever has checked a configuration leaves what ``status`` needs of it beside the state, with a checksum over all that
it was made from. Where that is another one, or anything is odd, the configuration is checked as always.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import tomllib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from nightferry import __version__
from nightferry.planning.schedule import Calendar, calendar_of

if TYPE_CHECKING:
    from nightferry.settings import Settings

FILE_NAME = "known-pairs.json"
_LIMIT_BYTES = 1 << 20
_PREFIX = "NIGHTFERRY_"
_FILE_VARIABLE = "NIGHTFERRY_CONFIG"
# Neither says anything of a pair.
_OTHER_VARIABLES = (_FILE_VARIABLE, "NIGHTFERRY_DEBUG")
_DEFAULT_FILE = Path("/etc/nightferry.toml")
_DEFAULT_STATE = "/var/lib/nightferry"


class KnownPair(NamedTuple):
    """What ``status`` needs of a pair."""

    name: str
    calendar: Calendar


class Known(NamedTuple):
    """What it needs of all."""

    state_dir: Path
    pairs: tuple[KnownPair, ...]


def load_and_remember(config: Path | None) -> Settings:
    """Checks a configuration and leaves what was found right; where that cannot be written, it is checked next time.

    Raises ``WrongUse`` as ``load`` does.
    """
    from nightferry.settings import load

    before = _digest_now(config)
    settings = load(config)
    if before is not None and before == _digest_now(config):  # nobody wrote to it in between
        with suppress(OSError, ValueError):
            _remember(settings, before)
    return settings


def _digest_now(config: Path | None) -> str | None:
    try:
        return _digest(_content(config_path(config)), os.environ)
    except (OSError, ValueError):
        return None


def _remember(settings: Settings, digest: str) -> None:
    pairs = [
        {
            "name": pair.name, "start": pair.start.isoformat(), "finish_by": pair.finish_by.isoformat(),
            "days": sorted(pair.days), "zone": None if pair.time_zone is None else pair.time_zone.key,
        }
        for pair in settings.pair
    ]  # fmt: skip
    content = json.dumps({"digest": digest, "pairs": pairs}).encode("ascii")
    target = settings.state_dir / FILE_NAME
    if _trusted(target) == content:
        return
    temporary = settings.state_dir / (FILE_NAME + ".new")
    fd = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC | os.O_NOFOLLOW, 0o644)
    with os.fdopen(fd, "wb") as file:
        os.fchmod(fd, 0o644)
        file.write(content)
    os.replace(temporary, target)


def known(config: Path | None, names: Sequence[str]) -> Known:
    """The pairs of these names, all where none is given; from what is remembered, where the configuration is the same.

    Raises ``WrongUse`` where it is not there or not right, and for names that no pair has.
    """
    if (found := _remembered(config, names)) is not None:
        return found
    from nightferry.settings import load

    settings = load(config)
    pairs = settings.chosen(names)
    return Known(settings.state_dir, tuple(KnownPair(pair.name, calendar_of(pair)) for pair in pairs))


def _remembered(config: Path | None, names: Sequence[str]) -> Known | None:
    """None where the configuration has to be checked first."""
    try:
        content = _content(config_path(config))
        tables = tomllib.loads(content.decode("utf-8-sig"))
        given = os.environ.get(f"{_PREFIX}STATE_DIR", tables.get("state_dir", _DEFAULT_STATE))
        if not isinstance(given, str) or not given.startswith("/"):
            return None
        state_dir = Path("/" + given.lstrip("/"))
        found = json.loads(_trusted(state_dir / FILE_NAME) or b"{}")
        if found.get("digest") != _digest(content, os.environ):
            return None
        pairs = {each["name"]: KnownPair(each["name"], _calendar(each)) for each in found["pairs"]}
        chosen = list(dict.fromkeys(names)) or list(pairs)
        return Known(state_dir, tuple(pairs[name] for name in chosen))
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None


def _calendar(found: dict[str, Any]) -> Calendar:
    zone = found["zone"]
    return Calendar(
        time.fromisoformat(found["start"]), time.fromisoformat(found["finish_by"]), frozenset(found["days"]),
        None if zone is None else ZoneInfo(zone),
    )  # fmt: skip


def config_path(config: Path | None) -> Path:
    if config is not None:
        return config
    return Path(os.environ.get(_FILE_VARIABLE) or _DEFAULT_FILE)


def _content(path: Path) -> bytes:
    fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as file:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise ValueError("not a file")
        content = file.read(_LIMIT_BYTES + 1)
    if len(content) > _LIMIT_BYTES:
        raise ValueError("too large")
    return content


def _digest(content: bytes, environ: Mapping[str, str]) -> str:
    """Over the program, the file and the variables: all that a configuration is made from."""
    digest = hashlib.sha256(__version__.encode() + b"\0")
    for name in sorted(name for name in environ if name.startswith(_PREFIX) and name not in _OTHER_VARIABLES):
        digest.update(os.fsencode(f"{name}={environ[name]}") + b"\0")
    digest.update(content)
    return digest.hexdigest()


def _trusted(path: Path) -> bytes | None:
    """What stands in a file that nobody else may have written; None where there is none."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return None
    with os.fdopen(fd, "rb") as file:
        state = os.fstat(fd)
        if not stat.S_ISREG(state.st_mode) or state.st_uid not in (0, os.geteuid()) or state.st_mode & 0o022:
            return None
        return file.read(_LIMIT_BYTES)
