"""One value at a time: from what stands in the configuration to what the program works with.

Each function takes any object that TOML or a caller can hand over, and raises ValueError with one sentence
that says what was found and what is allowed.
"""

import os
import re
import warnings
from collections.abc import Callable
from datetime import date, time, timedelta
from pathlib import Path, PurePath
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pathspec
from pydantic import SecretStr, ValidationInfo

from nightferry.units import (
    LARGEST_SIZE_BYTES,
    LONGEST_DURATION,
    parse_clock,
    parse_duration,
    parse_share,
    parse_size,
    quoted,
    write_duration,
)

# Validation context of values that a person wrote. There a bare number has no unit and is refused, while a caller
# in Python passes bytes and shares as the plain numbers that they are.
WRITTEN = {"written": True}

HASHES = ("xxh3_128", "sha256", "blake2b")
IF_MISSED = ("in window", "always", "never")

_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,63}")
_LONGEST_PATH_BYTES = 4095  # PATH_MAX without its closing NUL (linux/limits.h)
_MOST_PATTERNS = 1000
_LONGEST_PATTERN = 4096
_LARGEST_COUNT = 10**12
_LONGEST_ZONE = 100
_MOST_ADDRESSES = 10
_SCHEME = re.compile(r"[a-z][a-z0-9+.-]{0,31}://.+")


def shown(value: object) -> str:
    """What was found, for a message: short, and safe for a terminal."""
    match value:
        case str():
            found = quoted(value)
        case bool():  # before int, which it is as well
            found = "true" if value else "false"
        case int():
            # Python refuses to write out a number of thousands of digits.
            found = str(value) if value.bit_length() <= 128 else "a number of more than 38 digits"
        case float():
            found = repr(value)
        case list() | tuple():
            found = f"a list of {len(value)}"
        case dict():
            found = "a table"
        case time() | date():  # TOML's dates, and its dates with a time
            found = f"the date or time {value.isoformat()}"
        case _:
            found = f"a value of type {type(value).__name__}"
    return found


def pair_name(value: object) -> str:
    """A name that is also a folder name and the word that a person types."""
    if isinstance(value, str) and _NAME.fullmatch(value):
        return value
    raise ValueError(
        f"{shown(value)} is not a pair name; allowed: 1 to 64 of the letters a-z and A-Z, digits, '.', '_' and '-', "
        "starting with a letter, a digit or '_'"
    )


def absolute_path(value: object) -> Path:
    """An absolute path without `..`, compared by its text only: nothing is looked up."""
    allowed = 'allowed: an absolute path in quotes, such as "/srv/recordings"'
    if isinstance(value, PurePath):
        value = str(value)
    if not isinstance(value, str):
        raise ValueError(f"{shown(value)} is not a path; {allowed}")
    try:
        length_bytes = len(os.fsencode(value))
    except UnicodeEncodeError:
        raise ValueError(f"{shown(value)} cannot be a path on this system; {allowed}") from None
    if "\0" in value:
        raise ValueError(f"{shown(value)} holds a NUL character; {allowed}")
    if not value.startswith("/"):
        raise ValueError(f"{shown(value)} is not an absolute path; {allowed}")
    if length_bytes > _LONGEST_PATH_BYTES:
        raise ValueError(f"a path of {length_bytes} bytes is too long; allowed: at most {_LONGEST_PATH_BYTES} bytes")
    # POSIX lets "//" at the start mean something else; Linux does not, so it must not look like another path.
    path = Path("/" + value.lstrip("/"))
    if ".." in path.parts:
        raise ValueError(f"{shown(value)} holds '..'; {allowed}, without '..'")
    if path == Path("/"):
        raise ValueError(f"{shown(value)} is the root of the whole system; allowed: a folder below it")
    return path


def clock(value: object) -> time:
    """A time of day to the minute, as text or as TOML's local time."""
    if isinstance(value, str):
        return parse_clock(value)
    if isinstance(value, time) and value.tzinfo is None and value.second == value.microsecond == 0:
        return value
    raise ValueError(f'{shown(value)} is not a time of day; allowed: hours and minutes in quotes, such as "02:30"')


WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def days(value: object) -> frozenset[int]:
    """The days on which a night starts, Monday being 0: "daily", or a list of their first three letters."""
    if value == "daily":
        return frozenset(range(7))
    allowed = 'allowed: "daily", or a list of days such as ["mon", "wed", "fri"]'
    if isinstance(value, frozenset) and value and all(day in range(7) for day in value):
        return value
    if not isinstance(value, list) or not value:
        raise ValueError(f"{shown(value)} is not a choice of days; {allowed}")
    for day in value:
        if day not in WEEKDAYS:
            raise ValueError(f"{shown(day)} is not a day; {allowed}")
    return frozenset(WEEKDAYS.index(day) for day in value)


def time_zone(value: object) -> ZoneInfo | None:
    """A time zone by its name in the IANA data base; None for that of the machine ("local")."""
    if value is None or value == "local":
        return None
    if isinstance(value, ZoneInfo):
        return value
    allowed = 'allowed: "local", or a name such as "Europe/Berlin", as timedatectl(1) lists them'
    if not isinstance(value, str) or len(value) > _LONGEST_ZONE:
        raise ValueError(f"{shown(value)} is not a time zone; {allowed}")
    try:
        return ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{shown(value)} is not a time zone that this machine knows; {allowed}") from None


def if_missed(value: object) -> str:
    """What becomes of a night that nobody was there to begin."""
    if isinstance(value, str) and value in IF_MISSED:
        return value
    raise ValueError(f"{shown(value)} is not a choice; allowed: {', '.join(quoted(each) for each in IF_MISSED)}")


def whole_number(least: int, most: int) -> Callable[[object], int]:
    """A reader of whole numbers from `least` to `most`, both included."""

    def read(value: object) -> int:
        if isinstance(value, str) and re.fullmatch("[0-9]{1,13}", value):
            value = int(value)  # the environment holds only text
        if isinstance(value, int) and not isinstance(value, bool) and least <= value <= most:
            return value
        raise ValueError(f"{shown(value)} is not such a number; allowed: a whole number from {least:,} to {most:,}")

    return read


def duration(least: timedelta, most: timedelta = LONGEST_DURATION) -> Callable[[object], timedelta]:
    """A reader of durations from `least` to `most`, both included."""

    def read(value: object) -> timedelta:
        if isinstance(value, str):
            read_value = parse_duration(value)
        elif isinstance(value, timedelta):
            read_value = value
        else:
            raise ValueError(
                f'{shown(value)} is not a duration; allowed: a number and a unit in quotes, such as "30d" or "90min"'
            )
        if not least <= read_value <= most:
            found = shown(value) if isinstance(value, str) else str(value)
            raise ValueError(
                f'{found} is out of range; allowed: from "{write_duration(least)}" to "{write_duration(most)}"'
            )
        return read_value

    return read


def size(value: object, info: ValidationInfo) -> int:
    """Bytes, from text with a unit; as a plain number from Python, or 0 from anywhere."""
    if isinstance(value, str):
        return parse_size(value)
    if isinstance(value, int) and not isinstance(value, bool):
        if value == 0 or (not _is_written(info) and 0 < value <= LARGEST_SIZE_BYTES):
            return value
        raise ValueError(f'{shown(value)} has no unit; allowed: a size in quotes, such as "20GiB" or "500MB", or 0')
    raise ValueError(f'{shown(value)} is not a size; allowed: a number and a unit in quotes, such as "20GiB"')


def size_limit(value: object, info: ValidationInfo) -> int | None:
    """Bytes as a limit, or None where there is no limit ("off")."""
    if value is None or value == "off":
        return None
    limit = size(value, info)
    if limit == 0:
        # It could be read as "nothing" or as "no limit".
        raise ValueError(f'{shown(value)} is not a limit; allowed: a size above 0, or "off" for no such limit')
    return limit


def memory_or_path(value: object) -> Path | None:
    """An absolute path, or None for the machine's memory ("memory")."""
    return _path_or("memory", value)


def _path_or(word: str, value: object) -> Path | None:
    if value is None or value == word:
        return None
    try:
        return absolute_path(value)
    except ValueError as error:
        raise ValueError(f'{error}; or "{word}"') from None


def share(value: object) -> float:
    """A share from 0.0 to 1.0, from text or from a decimal fraction."""
    if isinstance(value, str):
        return parse_share(value)
    # A whole 1 could mean 1 % or all; "not a number" fails both comparisons.
    if isinstance(value, float) and 0 <= value <= 1:
        return value
    raise ValueError(
        f'{shown(value)} is not a share; allowed: a percentage in quotes such as "20%", a fraction from 0.0 to 1.0, '
        '"all" or "off"'
    )


def share_limit(value: object) -> float | None:
    """A share above nothing as a limit, or None where there is no limit ("off")."""
    if value is None or value == "off":
        return None
    limit = share(value)
    if limit == 0:
        # It could be read as "always" or as "never".
        raise ValueError(f'{shown(value)} is not a limit; allowed: a share above "0%", or "off" for no such limit')
    return limit


def count_limit(value: object) -> int | None:
    """A count as a limit, or None where there is no limit ("off" or 0)."""
    if value is None or value == "off":
        return None
    if isinstance(value, str) and re.fullmatch("[0-9]{1,13}", value):
        value = int(value)  # the environment holds only text
    if isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= _LARGEST_COUNT:
        return value or None
    raise ValueError(
        f"{shown(value)} is not a count; allowed: a whole number from 1 to {_LARGEST_COUNT:,}, "
        'or "off" or 0 for no such limit'
    )


def patterns(value: object) -> tuple[str, ...]:
    """Patterns in the rules of gitignore, each of which compiles."""
    if not isinstance(value, list | tuple) or not all(isinstance(pattern, str) for pattern in value):
        raise ValueError(f'{shown(value)} is not a list of patterns; allowed: a list of texts, such as ["*.part"]')
    if len(value) > _MOST_PATTERNS:
        raise ValueError(f"{len(value)} patterns are too many; allowed: at most {_MOST_PATTERNS}")
    for pattern in value:
        _check_pattern(pattern)
    return tuple(value)


def _check_pattern(pattern: str) -> None:
    allowed = 'allowed: a pattern in the rules of gitignore, such as "*.part" or "/scratch/"'
    if not pattern.strip() or len(pattern) > _LONGEST_PATTERN:
        raise ValueError(f"a pattern of {len(pattern)} characters is empty or too long; {allowed}")
    if "\0" in pattern or "\n" in pattern:
        raise ValueError(f"{shown(pattern)} holds a NUL or a line break; {allowed}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of `re`, about the expression that pathspec makes, not about the pattern
            pathspec.GitIgnoreSpec.from_lines([pattern])
    except (ValueError, re.error, OverflowError, RecursionError):
        raise ValueError(f"{shown(pattern)} is not a pattern; {allowed}") from None


def command(value: object) -> tuple[str, ...]:
    """A program by its whole path, and its arguments; none for an empty list. They may be secret and are not shown."""
    allowed = 'allowed: a list of texts that begins with a whole path, such as ["/usr/local/bin/tell-the-choir"], or []'
    if not isinstance(value, list | tuple) or not all(isinstance(part, str) for part in value):
        raise ValueError(f"it is not a list of texts; {allowed}")
    if value and not value[0].startswith("/"):
        raise ValueError(f"its first text is not a whole path, one that begins with /; {allowed}")
    if len(value) > _MOST_PATTERNS or any("\0" in part or len(part) > _LONGEST_PATTERN for part in value):
        raise ValueError(f"it has too many or too long texts, or one with a NUL; {allowed}")
    return tuple(value)


def addresses(value: object) -> tuple[SecretStr, ...]:
    """Addresses of services that tell people. They hold tokens and passwords: never shown, not even where wrong."""
    allowed = f'allowed: a list of at most {_MOST_ADDRESSES} texts such as ["mailto://…", "ntfys://…"], or []'
    if not isinstance(value, list | tuple) or not all(isinstance(each, str | SecretStr) for each in value):
        raise ValueError(f"it is not a list of texts; {allowed}")
    if len(value) > _MOST_ADDRESSES:
        raise ValueError(f"{len(value)} addresses are too many; {allowed}")
    found = tuple(each if isinstance(each, SecretStr) else SecretStr(each) for each in value)
    for position, each in enumerate(found, 1):
        if not _is_address(each.get_secret_value()):
            raise ValueError(
                f"number {position} is not an address (it is not shown, since it may be secret); {allowed}"
            )
    return found


def web_address(value: object) -> SecretStr | None:
    """An address for HTTP that may hold a token; None for "off"."""
    if value is None or value == "off":
        return None
    found = value.get_secret_value() if isinstance(value, SecretStr) else value
    if isinstance(found, str) and found.startswith(("http://", "https://")) and _is_address(found):
        return SecretStr(found)
    raise ValueError(
        "it is not an address (it is not shown, since it may be secret); allowed: a text that begins with https:// or"
        ' http://, or "off"'
    )


def _is_address(text: str) -> bool:
    return len(text) <= _LONGEST_PATTERN and text.isprintable() and _SCHEME.fullmatch(text) is not None


def hidden(value: object) -> str | None:
    """What stands in place of what may be secret, wherever settings are written out."""
    return "**********" if value else None


def path_or_off(value: object) -> Path | None:
    """An absolute path, or None for "off"."""
    return _path_or("off", value)


def hash_name(value: object) -> str:
    """The name of a hash that the manifest can hold."""
    if isinstance(value, str) and value in HASHES:
        return value
    raise ValueError(f"{shown(value)} is not a hash; allowed: {', '.join(f'{name!r}' for name in HASHES)}")


def switch(value: object) -> bool:
    """True or false, and nothing that only resembles them."""
    if isinstance(value, bool):
        return value
    raise ValueError(f"{shown(value)} is not a yes or no; allowed: true or false, without quotes")


def _is_written(info: ValidationInfo) -> bool:
    return bool(info.context and info.context.get("written"))
