"""Durations, sizes, shares, clock times and names: read from text, and shown to a person.

Only the standard library, and little of it: the command line imports this before it knows what to do.
Every `parse_*` takes text and raises ValueError with one sentence that says what was found and what is allowed.
"""

import binascii
import math
import re
import unicodedata
from datetime import datetime, time, timedelta

LONGEST_DURATION = timedelta(days=36500)  # a century: any present minus this is still a valid datetime
LARGEST_SIZE_BYTES = 2**63 - 1  # the largest file offset that the kernel can express (off_t)

_SHOWN_CHARACTERS = 60

# Digits are bounded, so that no number can be large enough to be slow or to overflow.
_NUMBER_AND_UNIT = re.compile(r"([0-9]{1,19})(?:\.([0-9]{1,6}))?[ ]?([A-Za-z]*)")
_SHARE = re.compile(r"([0-9]{1,3})(?:\.([0-9]{1,9}))?[ ]?(%?)")
_CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2})")

_DURATION_UNITS_US = {
    "s": 1_000_000,
    "min": 60_000_000,
    "h": 3_600_000_000,
    "d": 86_400_000_000,
    "w": 604_800_000_000,
}

# IEC 80000-13: KiB is 1,024 bytes. SI: kB is 1,000 bytes; KB is a common way to write it.
_BINARY_UNITS = ("KiB", "MiB", "GiB", "TiB", "PiB", "EiB")
_SIZE_UNITS_BYTES = {
    "B": 1,
    "KB": 1000,
    **{unit: 1000**power for power, unit in enumerate(("kB", "MB", "GB", "TB", "PB", "EB"), start=1)},
    **{unit: 1024**power for power, unit in enumerate(_BINARY_UNITS, start=1)},
}

_DURATION_ALLOWED = 'a number and a unit (s, min, h, d or w), such as "30d", up to 36500d'
_SIZE_ALLOWED = (
    "a number and a unit (B, KiB, MiB, GiB, TiB, PiB, EiB in steps of 1,024; kB, MB, GB, TB, PB, EB in steps "
    'of 1,000), such as "20GiB", or "0", below 8 EiB'
)
_SHARE_ALLOWED = 'a percentage from "0%" to "100%", a fraction such as "0.2" up to "1.0", "all" or "off"'
_CLOCK_ALLOWED = 'hours and minutes from "00:00" to "23:59"'


def quoted(text: str) -> str:
    """Text that somebody wrote, for a message: in quotes, safe for a terminal, and cut where it is long."""
    if len(text) > _SHOWN_CHARACTERS:
        return f'"{show_text(text[:_SHOWN_CHARACTERS])}…"'
    return f'"{show_text(text)}"'


def parse_duration(text: str) -> timedelta:
    """Read `30d`, `12h`, `90min`, `45s` or `2w`, from 0 to a century; the unit in any case, decimals allowed."""
    match = _NUMBER_AND_UNIT.fullmatch(text.strip(" "))
    unit_us = _DURATION_UNITS_US.get(match[3].lower()) if match else None
    if match is None or unit_us is None:
        # "m" would be minutes to one reader and months to the next.
        hint = ' (minutes are written "min")' if match is not None and match[3].lower() == "m" else ""
        raise ValueError(f"{quoted(text)} is not a duration; allowed: {_DURATION_ALLOWED}{hint}")
    duration_us = _scaled(match[1], match[2], unit_us)
    if duration_us > LONGEST_DURATION // timedelta(microseconds=1):
        raise ValueError(f"{quoted(text)} is too long a duration; allowed: {_DURATION_ALLOWED}")
    return timedelta(microseconds=duration_us)


def parse_size(text: str) -> int:
    """Read `20GiB`, `500MB`, `1.5TiB` or `0` as bytes, rounded down to a whole byte.

    `GiB` is 1024³ (IEC 80000-13) and `GB` is 1000³ (SI). A bare number other than 0 and a bare `G` are refused,
    since nobody can tell what they mean.
    """
    match = _NUMBER_AND_UNIT.fullmatch(text.strip(" "))
    if match is not None and not match[3] and not match[2] and int(match[1]) == 0:
        return 0
    unit_bytes = _SIZE_UNITS_BYTES.get(match[3]) if match else None
    if match is None or unit_bytes is None or (unit_bytes == 1 and match[2]):
        raise ValueError(f"{quoted(text)} is not a size; allowed: {_SIZE_ALLOWED}")
    size_bytes = _scaled(match[1], match[2], unit_bytes)
    if size_bytes > LARGEST_SIZE_BYTES:
        raise ValueError(f"{quoted(text)} is too large a size; allowed: {_SIZE_ALLOWED}")
    return size_bytes


def parse_share(text: str) -> float:
    """Read `20%`, `0.2`, `all` or `off` as a share from 0.0 to 1.0.

    A bare `1` is refused: it could mean 1 % or all.
    """
    stripped = text.strip(" ")
    if stripped in ("all", "off"):
        return 1.0 if stripped == "all" else 0.0
    match = _SHARE.fullmatch(stripped)
    if match is not None:
        share = float(f"{match[1]}.{match[2] or 0}")
        if match[3]:
            share /= 100
        is_clear = bool(match[2] or match[3] or share == 0)
        if share <= 1 and is_clear:
            return share
    raise ValueError(f"{quoted(text)} is not a share; allowed: {_SHARE_ALLOWED}")


def parse_clock(text: str) -> time:
    """Read `02:30` as a time of day, without a zone."""
    match = _CLOCK.fullmatch(text.strip(" "))
    if match is None or int(match[1]) > 23 or int(match[2]) > 59:
        raise ValueError(f"{quoted(text)} is not a time of day; allowed: {_CLOCK_ALLOWED}")
    return time(int(match[1]), int(match[2]))


def _scaled(whole: str, decimals: str | None, unit: int) -> int:
    """Multiply a decimal number by a unit, in whole numbers: a float is off by bytes from 8 PiB on."""
    decimals = decimals or ""
    divisor: int = 10 ** len(decimals)
    return int(whole + decimals) * unit // divisor


def write_duration(duration: timedelta) -> str:
    """Write a duration as a setting would have it (`30d`, `90min`), in the largest unit that divides it.

    Weeks are written as days; parts of a second are dropped; a negative duration raises ValueError.
    """
    if duration < timedelta(0):
        raise ValueError(f"a duration cannot be negative, and this is {duration}")
    duration_s = duration // timedelta(seconds=1)
    for unit, unit_s in (("d", 86400), ("h", 3600), ("min", 60)):
        if duration_s and duration_s % unit_s == 0:
            return f"{duration_s // unit_s}{unit}"
    return f"{duration_s}s"


def format_size(size_bytes: int) -> str:
    """Bytes for a person, in binary units with one decimal, rounded to the nearest: `1.4 GiB`, `512 B`."""
    sign = "-" if size_bytes < 0 else ""
    magnitude = abs(size_bytes)
    if magnitude < 1024:
        return f"{sign}{magnitude} B"
    # Whole numbers throughout, so that no size is too large for a float.
    for power, unit in enumerate(_BINARY_UNITS, start=1):
        tenths = (magnitude * 10 + 1024**power // 2) // 1024**power
        if tenths < 10240 or unit == _BINARY_UNITS[-1]:
            break
    return f"{sign}{tenths // 10:,}.{tenths % 10} {unit}"


def format_rate(rate_bytes_per_s: float) -> str:
    """Bytes per second for a person: `38.2 MiB/s`; `unknown` where nothing could be measured (not finite)."""
    if not math.isfinite(rate_bytes_per_s):
        return "unknown"
    return f"{format_size(round(rate_bytes_per_s))}/s"


def format_duration(duration_s: float) -> str:
    """Seconds for a person, in two units: `0.4 s`, `45 s`, `5 min 03 s`, `2 h 05 min`, `3 d 04 h`.

    Rounded to the last unit shown, halves up; `unknown` where there is no finite time.
    """
    if not math.isfinite(duration_s):
        return "unknown"
    sign = "-" if duration_s < 0 else ""
    length_s = abs(duration_s)
    if length_s < 9.95:
        return f"{sign}{length_s:.1f} s" if f"{length_s:.1f}" != "0.0" else "0.0 s"
    seconds = math.floor(length_s + 0.5)
    if seconds < 60:
        return f"{sign}{seconds} s"
    if seconds < 3600:
        return f"{sign}{seconds // 60} min {seconds % 60:02} s"
    minutes = math.floor(length_s / 60 + 0.5)
    if minutes < 48 * 60:
        return f"{sign}{minutes // 60} h {minutes % 60:02} min"
    hours = math.floor(length_s / 3600 + 0.5)
    return f"{sign}{hours // 24:,} d {hours % 24:02} h"


def format_count(count: int) -> str:
    """A whole number with its thousands apart: `12,345`."""
    return f"{count:,}"


def format_moment(moment: datetime) -> str:
    """A moment with its offset from UTC: `2026-05-03 02:30:07 +02:00`; ValueError where it has no zone."""
    if moment.utcoffset() is None:
        raise ValueError(f"a moment without a time zone cannot be shown: {moment.isoformat()}")
    written = moment.isoformat(sep=" ", timespec="seconds")
    return f"{written[:19]} {written[19:]}"


# Control, format (among them the bidirectional overrides), line and paragraph separators, surrogates, unassigned.
_UNSAFE_CATEGORIES = frozenset({"Cc", "Cf", "Zl", "Zp", "Cs", "Cn"})
_SHORT_ESCAPES = {"\n": r"\n", "\t": r"\t", "\r": r"\r", "\\": r"\\"}


def show_name(path: bytes) -> str:
    r"""A name made safe for a terminal and for one line of a log, in a form that stands for one name only.

    `\n`, `\t`, `\r` and a doubled backslash as in C; any other control character of ASCII, and any byte that is
    not UTF-8, as `\xNN`; any other character that is invisible or acts on its neighbours as `\uNNNN` or
    `\UNNNNNNNN`. `printf %b` of bash reads the form back into the bytes.
    """
    return show_text(path.decode("utf-8", "surrogateescape"))


def show_text(text: str) -> str:
    """Text in the form of `show_name`; surrogates that stand for single bytes (PEP 383) are shown as those bytes."""
    if text.isprintable() and "\\" not in text:  # nearly all names: isprintable() excludes every unsafe category
        return text
    return "".join(map(_show_character, text))


def _show_character(character: str) -> str:
    short = _SHORT_ESCAPES.get(character)
    if short is not None:
        return short
    if unicodedata.category(character) not in _UNSAFE_CATEGORIES:
        return character
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    if code < 0x80:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code <= 0xFFFF else f"\\U{code:08x}"


def json_name(path: bytes) -> dict[str, str]:
    """A name for `--json`: `path` as text; where that is not the whole truth, also `path_bytes` in base64.

    Bytes that are not UTF-8 stand as U+FFFD in `path` (RFC 8259 allows only Unicode text in JSON).
    """
    try:
        return {"path": path.decode("utf-8")}
    except UnicodeDecodeError:
        encoded = binascii.b2a_base64(path, newline=False).decode("ascii")
        return {"path": path.decode("utf-8", "replace"), "path_bytes": encoded}
