"""Where in a SQLite file a column of a row stands, by the published format (sqlite.org/fileformat2.html)."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

_LEAF, _INTERIOR = 0x0D, 0x05
_INTEGER_BYTES = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8, 8: 0, 9: 0}


def place_of(path: Path, table: str, column: str, name: bytes) -> int | None:
    """The offset in the file of the column's last byte, in the newest row of that name; None where it has none.

    Raises ``sqlite3.Error`` for a file that is none.
    """
    with closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as connection:
        row = connection.execute(f"SELECT max(id) FROM {table} WHERE name = ?", (name,)).fetchone()
        root = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()
        columns = [each[1] for each in connection.execute(f"PRAGMA table_info({table})")]
    if row is None or row[0] is None or root is None or column not in columns:
        return None
    content = path.read_bytes()
    page_bytes = int.from_bytes(content[16:18], "big")
    return _find(content, page_bytes, root[0], row[0], columns.index(column))


def _varint(content: bytes, at: int) -> tuple[int, int]:
    value = 0
    for count in range(8):
        byte = content[at + count]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + count + 1
    return value << 8 | content[at + 8], at + 9


def _find(content: bytes, page_bytes: int, page: int, row: int, column: int) -> int | None:
    start = (page - 1) * page_bytes
    at = start + (100 if page == 1 else 0)
    kind, cells = content[at], int.from_bytes(content[at + 3 : at + 5], "big")
    if kind not in (_LEAF, _INTERIOR):
        return None
    pointers = at + (8 if kind == _LEAF else 12)
    for each in range(cells):
        cell = start + int.from_bytes(content[pointers + 2 * each : pointers + 2 * each + 2], "big")
        if kind == _INTERIOR:
            key, _ = _varint(content, cell + 4)
            if row <= key:
                return _find(content, page_bytes, int.from_bytes(content[cell : cell + 4], "big"), row, column)
            continue
        _, after = _varint(content, cell)
        key, body = _varint(content, after)
        if key == row:
            return _in_record(content, body, column)
    if kind == _INTERIOR:
        return _find(content, page_bytes, int.from_bytes(content[at + 8 : at + 12], "big"), row, column)
    return None


def _in_record(content: bytes, body: int, column: int) -> int | None:
    header_bytes, at = _varint(content, body)
    value = body + header_bytes
    for number in range(column + 1):
        kind, at = _varint(content, at)
        size = _INTEGER_BYTES[kind] if kind < 10 else (kind - 12) // 2
        if number == column:
            return value + size - 1 if size else None
        value += size
    return None
