"""The audit for other programs: JSON Lines and CSV, one change a line, written as they are read."""

from __future__ import annotations

import base64
import csv
import sys
from collections.abc import Iterable
from typing import Any, TextIO

from nightferry.reporting.audit.question import Found
from nightferry.reporting.look.documents import text_of
from nightferry.reporting.look.moments import moment
from nightferry.reporting.screens.night_json import change_as_json
from nightferry.units import show_name, show_text

COLUMNS = (
    "pair", "night", "night_started", "kind", "path", "from", "bytes", "bytes_before", "folder", "kept", "detail",
    "path_base64",
)  # fmt: skip


def found_as_json(found: Found) -> dict[str, Any]:
    """One change with its night."""
    return {"night": found.run.number, **change_as_json(found.change), "detail": found.detail}


def write_json_lines(pair: str, found: Iterable[Found], stream: TextIO | None = None) -> None:
    """One object a line (jsonlines.org), ASCII only."""
    out = stream or sys.stdout
    for each in found:
        out.write(text_of({"pair": pair, "night_started": moment(each.run.started_s), **found_as_json(each)}) + "\n")


class CsvExport:
    """RFC 4180, with one header for all pairs.

    A name stands in one line, in the form of ``show_name``, and begins with ``./``: a spreadsheet would take one that
    begins with ``=``, ``+``, ``-`` or ``@`` for a formula. ``path_base64`` has the bytes.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._writer = csv.writer(stream or sys.stdout, lineterminator="\r\n")
        self._writer.writerow(COLUMNS)

    def write(self, pair: str, found: Iterable[Found]) -> None:
        """One row a change."""
        for each in found:
            change = each.change
            self._writer.writerow(
                (
                    pair, each.run.number, moment(each.run.started_s), change.kind, _cell(change.path),
                    "" if change.source is None else _cell(change.source), change.size_bytes,
                    "" if change.before_bytes is None else change.before_bytes, _word(change.is_folder),
                    _word(change.kept), show_text(each.detail or ""), base64.b64encode(change.path).decode("ascii"),
                )
            )  # fmt: skip


def _cell(path: bytes) -> str:
    return "./" + show_name(path)


def _word(value: bool | None) -> str:
    return "" if value is None else "yes" if value else "no"
