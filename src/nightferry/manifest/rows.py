"""The rows of a manifest found on a drive, each by itself: it must be one that a night could have written.

SQLite keeps a value of any type in any column, whatever its declaration says; so the types are checked too. Every check
goes over a table once, row by row: memory does not grow with their number. How rows hang together: ``relations.py``.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections import deque
from collections.abc import Iterable
from typing import Any, NamedTuple

from nightferry.tree.digests import ALGORITHMS
from nightferry.tree.metadata import unpack_xattrs
from nightferry.units import show_name, show_text

# Ids and run numbers: room is left above for those that are still to come.
ID_LIMIT = 1 << 62
_RUN_LIMIT = 1_000_000_000
# Most file systems allow 255 bytes; exFAT and NTFS 255 units of UTF-16, which are 765 bytes of UTF-8; a program that
# serves one (FUSE) what it likes. No call takes more than a path can have (limits.h: PATH_MAX counts the final NUL).
NAME_LIMIT_BYTES = 4095
# symlink(7), limits.h: PATH_MAX counts the final NUL.
TARGET_LIMIT_BYTES = 4095
# 64 bits of seconds, as nanoseconds.
_TIME_DIGITS = 28
# The years 1 to 9999, as Unix time: what can be shown as a date.
_EARLIEST_S, _LATEST_S = -62_135_596_800, 253_402_300_799
_META_ROWS_LIMIT = 1_000
_TEXT_LIMIT_BYTES = 1 << 20
_LONG_TEXT_LIMIT_BYTES = 32 << 20
_OUTCOMES = ("complete", "partial", "held", "interrupted", "failed")


class FaultError(Exception):
    """What is wrong with a manifest, as a part of a sentence."""


class _Rule(NamedTuple):
    """``is_bad``: an SQL condition, true of a bad row once the rules before it hold."""

    is_bad: str
    words: str


def check(connection: sqlite3.Connection, version: int) -> None:
    """The rows of all tables but ``meta``, by the rules of its format.

    Raises ``FaultError``, and ``sqlite3.Error`` where text is not in UTF-8.
    """
    _check_rows(connection, "xattrs", "id", _XATTRS)
    _check_xattrs(connection)
    _check_rows(connection, "entry", "id", _ENTRY)
    _check_rows(connection, "past", "id", _PAST)
    _check_rows(connection, "run", "number", _RUN)
    _check_summaries(connection)
    for table, row_id, rules, texts in (
        ("left_out", "rowid", _LEFT_OUT, "kind, detail"),
        ("damage", "id", _DAMAGE if version > 1 else _DAMAGE_1, "side, verdict, found_by, detail, became"),
        ("hold", "run", _HOLD, "reasons"),
    ):
        _check_rows(connection, table, row_id, rules)
        _decode(connection, f"SELECT {texts} FROM {table}")
    _decode(connection, "SELECT DISTINCT reason FROM past")
    if connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'rehearsal'").fetchone() is not None:
        _check_rows(connection, "rehearsal", "id", _REHEARSAL)
        _decode(connection, "SELECT stamp, outcome FROM rehearsal")
        for number, summary in connection.execute("SELECT id, summary FROM rehearsal"):
            _json(summary, "rehearsal", number)


def check_meta(connection: sqlite3.Connection) -> dict[str, str]:
    """The table ``meta``. Raises ``FaultError``."""
    meta: dict[str, str] = {}
    for key, value in connection.execute("SELECT key, value FROM meta"):
        if len(meta) >= _META_ROWS_LIMIT:
            raise FaultError(f"its table meta has more than {_META_ROWS_LIMIT} rows")
        if not isinstance(key, str) or not isinstance(value, str) or len(key) + len(value) > _TEXT_LIMIT_BYTES:
            raise FaultError("its table meta holds something that is no short text")
        meta[key] = value
    if not re.fullmatch(r"[0-9]{1,15}", meta.get("generation", "")):
        raise FaultError("it does not say its generation")
    sealed = meta.get("sealed")
    if sealed is not None and (not re.fullmatch(r"[0-9]{1,15}", sealed) or int(sealed) > int(meta["generation"])):
        raise FaultError("it says that more was sealed than it has sealed")
    if any(not re.fullmatch(r"[0-9]{1,15}", meta.get(key, "0")) for key in ("begun", "done")):
        raise FaultError("it does not say how far the secondary had come")
    if not meta.get("pair_id"):
        raise FaultError("it does not say which pair it is of")
    return meta


# --- conditions in SQL


def _integer(column: str, low: int, high: int, words: str, *, null: bool = False) -> _Rule:
    bad = f"(typeof({column}) <> 'integer' OR {column} NOT BETWEEN {low} AND {high})"
    return _Rule(f"{column} IS NOT NULL AND {bad}" if null else bad, words)


def _moment(column: str, *, null: bool = False) -> _Rule:
    bad = f"(typeof({column}) NOT IN ('integer', 'real') OR {column} NOT BETWEEN {_EARLIEST_S} AND {_LATEST_S})"
    return _Rule(f"{column} IS NOT NULL AND {bad}" if null else bad, f"{column} is no moment of a calendar")


def _text(column: str, limit_bytes: int = _TEXT_LIMIT_BYTES, *, null: bool = False) -> _Rule:
    bad = f"(typeof({column}) <> 'text' OR length(CAST({column} AS BLOB)) > {limit_bytes})"
    return _Rule(f"{column} IS NOT NULL AND {bad}" if null else bad, f"{column} is no text of a sensible length")


def _time_ns(column: str, *, null: bool = False) -> _Rule:
    digits = f"ltrim({column}, '-')"
    as_text = (
        f"typeof({column}) = 'text' AND length(CAST({column} AS BLOB)) BETWEEN 1 AND {_TIME_DIGITS + 1}"
        f" AND length({digits}) BETWEEN 1 AND {_TIME_DIGITS} AND length({column}) - length({digits}) <= 1"
        f" AND length(CAST({column} AS BLOB)) = length({column}) AND {digits} NOT GLOB '*[^0-9]*'"
    )
    bad = f"NOT (typeof({column}) = 'integer' OR ({as_text}))"
    return _Rule(f"{column} IS NOT NULL AND {bad}" if null else bad, f"{column} is no time that a file can have")


def _not_plain(column: str) -> str:
    """True of a path that is not a plain one below a root, with names between single slashes."""
    return (
        f"instr({column}, X'00') OR instr({column}, X'2F2F') OR instr({column}, X'2F2E2F')"
        f" OR instr({column}, X'2F2E2E2F') OR substr({column}, 1, 1) = X'2F' OR substr({column}, -1) = X'2F'"
        f" OR {column} IN (X'2E', X'2E2E') OR substr({column}, 1, 2) = X'2E2F' OR substr({column}, 1, 3) = X'2E2E2F'"
        f" OR substr({column}, -2) = X'2F2E' OR substr({column}, -3) = X'2F2E2E'"
    )


def _path(column: str) -> tuple[_Rule, ...]:
    """A path below a root; empty for the root itself."""
    return (
        _Rule(f"typeof({column}) <> 'blob'", f"{column} is no path"),
        _Rule(_not_plain(column), f"{column} is a path that leads out of the drive"),
    )


_NAME = (
    _Rule("typeof(name) <> 'blob'", "its name is not made of bytes"),
    _Rule(f"length(name) > {NAME_LIMIT_BYTES}", f"its name is longer than {NAME_LIMIT_BYTES} bytes"),
    _Rule("instr(name, X'2F') OR instr(name, X'00')", "its name has a slash or a NUL in it"),
    _Rule("name IN (X'2E', X'2E2E')", "its name leads to another folder"),
)
_DIGEST_BYTES = " ".join(f"WHEN {each.id} THEN {each.digest_bytes}" for each in ALGORITHMS)
_WHAT = (
    _integer("kind", 1, 3, "it is neither a folder nor a file nor a symlink"),
    _integer("size_bytes", 0, (1 << 63) - 1, "its size is none that a file can have"),
    _time_ns("mtime_ns"),
    _time_ns("ctime_ns"),
    _Rule("typeof(inode) <> 'integer'", "inode is no number"),
    _integer("mode", 0, 0o7777, "mode is none that a file can have"),
    _integer("uid", 0, (1 << 32) - 1, "uid is none that an owner can have"),
    _integer("gid", 0, (1 << 32) - 1, "gid is none that a group can have"),
    _integer("nlink", 0, (1 << 63) - 1, "nlink is no number of links"),
    _Rule("(algorithm IS NULL) <> (digest IS NULL)", "it has a checksum without its algorithm, or the reverse"),
    _Rule("kind <> 2 AND digest IS NOT NULL", "it is no file and has a checksum"),
    _Rule(
        f"digest IS NOT NULL AND CASE algorithm {_DIGEST_BYTES} END IS NULL",
        "its checksum is of an algorithm that this nightferry does not know",
    ),
    _Rule(
        "digest IS NOT NULL AND (typeof(algorithm) <> 'integer' OR typeof(digest) <> 'blob'"
        f" OR length(digest) <> CASE algorithm {_DIGEST_BYTES} END)",
        "its checksum has not the length of its algorithm",
    ),
    _Rule("(kind = 3) <> (target IS NOT NULL)", "it is a symlink without a target, or has one and is none"),
    _Rule(
        f"target IS NOT NULL AND (typeof(target) <> 'blob' OR length(target) NOT BETWEEN 1 AND {TARGET_LIMIT_BYTES}"
        " OR instr(target, X'00'))",
        "its target is none that a symlink can have",
    ),
    _Rule(
        "xattrs IS NOT NULL AND (typeof(xattrs) <> 'integer'"
        " OR NOT EXISTS (SELECT 1 FROM xattrs AS x WHERE x.id = this.xattrs))",
        "its attributes are not there",
    ),
    _integer("born", 0, _RUN_LIMIT, "born is no run"),
    _integer("since", 0, _RUN_LIMIT, "since is no run"),
)
_ENTRY = (
    _integer("id", 1, ID_LIMIT, "its number is out of range"),
    *_NAME,
    _integer("parent", 0, ID_LIMIT, "its folder's number is out of range"),
    _Rule("(id = 1) <> (parent = 0)", "it stands beside the root, or the root within itself"),
    _Rule("(id = 1) <> (length(name) = 0)", "it has no name, or is the root and has one"),
    *_WHAT,
    _Rule("id = 1 AND kind <> 1", "it is the root and no folder"),
    _moment("read_primary_s", null=True),
    _moment("read_secondary_s", null=True),
    _integer("dirty", 0, 1, "dirty is neither yes nor no", null=True),
    _Rule("listing IS NOT NULL AND (typeof(listing) <> 'blob' OR length(listing) > 64)", "listing is no fingerprint"),
)
_PAST = (
    _integer("id", 1, ID_LIMIT, "its number is out of range"),
    _integer("entry", 0, ID_LIMIT, "the number of its name is out of range"),
    *_NAME,
    _integer("parent", 0, ID_LIMIT, "its folder's number is out of range"),
    _Rule("(entry = 1) <> (length(name) = 0)", "it has no name, or is the root and has one"),
    _Rule("(entry = 1) <> (parent = 0)", "it stands beside the root, or the root within itself"),
    *_WHAT,
    _Rule("entry = 1 AND kind <> 1", "it is the root and no folder"),
    _integer("until", 0, _RUN_LIMIT, "until is no run"),
    _Rule("since > until", "it ended before it began"),
    _text("reason", 40),
    _Rule("held IS NOT NULL AND (typeof(held) <> 'blob' OR length(held) = 0)", "the place where it is kept is no path"),
    _Rule(f"held IS NOT NULL AND ({_not_plain('held')})", "the place where it is kept leads out of retired/"),
    _integer("expired", 0, _RUN_LIMIT, "expired is no run", null=True),
    _moment("read_s", null=True),
)
_XATTRS = (
    _integer("id", 1, ID_LIMIT, "its number is out of range"),
    _Rule("typeof(packed) <> 'blob'", "it is no list of attributes"),
)
_RUN = (
    _integer("number", 1, _RUN_LIMIT, "its number is none that a run can have"),
    _text("stamp", 100),
    _moment("started_s"),
    _moment("ended_s", null=True),
    _Rule(f"outcome IS NOT NULL AND outcome NOT IN {_OUTCOMES}", "its outcome is none that a run can have"),
    _text("summary", _LONG_TEXT_LIMIT_BYTES),
)
_LEFT_OUT = (
    _integer("run", 0, _RUN_LIMIT, "it is of no run"),
    _text("kind", 40),
    *_path("path"),
    _text("detail"),
)
_DAMAGE_1 = (
    _integer("id", 1, ID_LIMIT, "its number is out of range"),
    *_path("path"),
    *(_text(column, 40) for column in ("side", "verdict", "found_by")),
    _integer("found_run", 0, _RUN_LIMIT, "it was found by no run"),
    _moment("found_s"),
    _text("detail"),
    _integer("closed_run", 0, _RUN_LIMIT, "it was closed by no run", null=True),
    _text("became", null=True),
)
_DAMAGE = (
    *_DAMAGE_1,
    _integer("entry", 1, ID_LIMIT, "entry is no row", null=True),
    _integer("past", 1, ID_LIMIT, "past is no row", null=True),
    _Rule("inode IS NOT NULL AND typeof(inode) <> 'integer'", "inode is no number"),
    _integer("size_bytes", 0, (1 << 63) - 1, "its size is none that a file can have", null=True),
    _time_ns("mtime_ns", null=True),
    _Rule(
        f"algorithm IS NOT NULL AND (typeof(algorithm) <> 'integer' OR CASE algorithm {_DIGEST_BYTES} END IS NULL)",
        "its checksum is of an algorithm that this nightferry does not know",
    ),
    *(
        _Rule(
            f"{column} IS NOT NULL AND (typeof(algorithm) <> 'integer' OR typeof({column}) <> 'blob'"
            f" OR length({column}) IS NOT CASE algorithm {_DIGEST_BYTES} END)",
            "its checksum has not the length of its algorithm",
        )
        for column in ("digest", "bad_digest")
    ),
)
_HOLD = (
    _integer("run", 0, _RUN_LIMIT, "it is of no run"),
    _integer("removals", 0, ID_LIMIT, "removals is no number of names"),
    _integer("replacements", 0, ID_LIMIT, "replacements is no number of names"),
    _text("reasons", _LONG_TEXT_LIMIT_BYTES),
    _moment("released_s", null=True),
    _integer("spent_run", 0, _RUN_LIMIT, "it was used up by no run", null=True),
)
_REHEARSAL = (
    _integer("id", 1, ID_LIMIT, "its number is out of range"),
    _text("stamp", 100),
    _integer("run", 0, _RUN_LIMIT, "it was made after no run"),
    _moment("began_s"),
    _moment("ended_s"),
    _text("outcome", 40),
    _integer("out_of_time", 0, 1, "out_of_time is neither yes nor no"),
    _text("summary", _LONG_TEXT_LIMIT_BYTES),
)


def _check_rows(connection: sqlite3.Connection, table: str, row_id: str, rules: Iterable[_Rule]) -> None:
    rules = tuple(rules)
    named = "name" if table in ("entry", "past") else "path" if table in ("left_out", "damage") else "NULL"
    # Some rules in each query: a query's expressions may not be nested without limit.
    for start in range(0, len(rules), 50):
        part = rules[start : start + 50]
        cases = " ".join(f"WHEN {rule.is_bad} THEN {number}" for number, rule in enumerate(part))
        found = connection.execute(
            f"SELECT {row_id}, {named}, CASE {cases} END AS fault FROM {table} AS this WHERE fault IS NOT NULL LIMIT 1"
        ).fetchone()
        if found is not None:
            raise FaultError(of_row(table, found[0], found[1], part[found[2]].words))


def of_row(table: str, number: object, name: object, words: str) -> str:
    """A fault of one row, as a part of a sentence."""
    shown = ""
    if isinstance(name, bytes) and name:
        shown = f', "{show_name(name[:60])}{"..." if len(name) > 60 else ""}"'
    return f"of row {number} of its table {table}{shown}, {words}"


def _decode(connection: sqlite3.Connection, query: str) -> None:
    """Reads text only to see that it is text: SQLite does not look whether it is UTF-8."""
    deque(connection.execute(query), maxlen=0)


# --- values that SQL cannot look into


def _check_xattrs(connection: sqlite3.Connection) -> None:
    for number, packed in connection.execute("SELECT id, packed FROM xattrs"):
        try:
            found = unpack_xattrs(packed)
        except ValueError as error:
            raise FaultError(of_row("xattrs", number, None, str(error))) from error
        if any(b"\0" in name for name, _ in found):
            raise FaultError(of_row("xattrs", number, None, "an attribute has a NUL in its name"))


def _check_summaries(connection: sqlite3.Connection) -> None:
    for number, stamp, summary in connection.execute("SELECT number, stamp, summary FROM run"):
        if not stamp or "/" in stamp or "\0" in stamp or stamp in (".", ".."):
            raise FaultError(of_row("run", number, None, f"its stamp is {show_text(stamp)!r}"))
        if not _is_summary(_json(summary, "run", number)):
            raise FaultError(of_row("run", number, None, "its summary is none of a night"))


def _json(summary: str, table: str, number: int) -> Any:
    try:
        return json.loads(summary, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        raise FaultError(of_row(table, number, None, "its summary is no JSON")) from error


def _no_number(text: str) -> float:
    raise ValueError(text)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < 1 << 63


def _is_summary(found: Any) -> bool:
    """What ``run`` writes, as far as the reports go by it; each part may be missing."""
    if not isinstance(found, dict):
        return False
    counts = [found.get("tally", {}), found.get("phase_s", {})]
    lists = [found.get("notes", []), found.get("hold_reasons", [])]
    texts = [found.get("state"), found.get("failure")]
    return (
        all(isinstance(each, dict) and all(map(_is_number, each.values())) for each in counts)
        and all(isinstance(each, list) and all(isinstance(text, str) for text in each) for each in lists)
        and all(each is None or isinstance(each, str) for each in texts)
        and all(_is_number(found.get(key, 0)) for key in ("open_damage", "verify_cycle_s"))
        and isinstance(found.get("rehearsal"), (dict, type(None)))
    )
