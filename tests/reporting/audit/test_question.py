"""Questions to the audit, as values; the answers of real nights are in tests/cli/test_lastnight_query.py."""

from __future__ import annotations

import csv
import io
import json
from datetime import date

import pytest

from nightferry.errors import WrongUse
from nightferry.manifest.records import Run
from nightferry.reporting.audit.changes import Change
from nightferry.reporting.audit.exports import COLUMNS, CsvExport, write_json_lines
from nightferry.reporting.audit.question import Bound, Found, Question, parse_kinds, parse_range, selection_of


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("12", Bound(12), Bound(12)),
        ("10..14", Bound(10), Bound(14)),
        ("10..", Bound(10), Bound()),
        (" ..14 ", Bound(), Bound(14)),
        ("2026-05-01..2026-05-07", Bound(day=date(2026, 5, 1)), Bound(day=date(2026, 5, 7))),
        ("3..2026-05-07", Bound(3), Bound(day=date(2026, 5, 7))),
    ],
)
def test_ranges(text: str, first: Bound, last: Bound) -> None:
    assert parse_range(text) == (first, last)


@pytest.mark.parametrize(
    "text", ["", "..", "x", "1..x", "1...3", "2026-13-01", "-1", "9999999999", "1..2..3", "\x1b[2J"]
)
def test_what_is_no_range_is_refused_with_what_is_allowed(text: str) -> None:
    with pytest.raises(WrongUse, match=r"10\.\.14") as refused:
        parse_range(text)
    assert "\x1b" not in str(refused.value)


def change(
    path: bytes, kind: str = "added", size: int = 10, source: bytes | None = None, folder: bool = False
) -> Change:
    return Change(kind, path, source, size, folder, None)


def test_paths_mean_a_folder_with_all_below_or_a_pattern() -> None:
    below = Question(selection_of([b"2026-05 spring concert/"]))
    assert below.fits(change(b"2026-05 spring concert/01.wav"))
    assert below.fits(change(b"2026-05 spring concert", folder=True))
    assert not below.fits(change(b"2026-05 spring concerts/01.wav"))
    assert below.fits(change(b"elsewhere/01.wav", "moved", source=b"2026-05 spring concert/01.wav"))
    pattern = Question(selection_of([b"*.wav"]))
    assert pattern.fits(change(b"deep/er/01.wav"))
    assert not pattern.fits(change(b"deep/er/01.flac"))
    magic = Question(selection_of([b"take [1].wav"]))  # a name with a bracket is meant as it stands, too
    assert magic.fits(change(b"take [1].wav"))
    assert magic.fits(change(b"take 1.wav"))
    assert Question(selection_of([b"h\xffndel"])).fits(change(b"h\xffndel/x"))


def test_kinds_and_sizes() -> None:
    asked = Question(selection_of([]), parse_kinds(["removed, changed"]), 100, 200)
    assert asked.fits(change(b"a", "removed", 100))
    assert asked.fits(change(b"a", "changed", 200))
    assert not asked.fits(change(b"a", "added", 150))
    assert not asked.fits(change(b"a", "removed", 99))
    assert not asked.fits(change(b"a", "removed", 201))
    assert not asked.fits(change(b"a", "removed", 150, folder=True))
    with pytest.raises(WrongUse, match="metadata"):
        parse_kinds(["deleted"])


RUN = Run(7, "000007", 1_777_777_777.0, None, None, "{}")
HARD = (b"=1+1|cmd", b'two\nlines,"quoted"', b"h\xffndel\x1b[2J", b"-rf")


def test_csv_reads_back_and_no_name_is_a_formula() -> None:
    stream = io.StringIO(newline="")
    table = CsvExport(stream)
    table.write("recordings", [Found(RUN, change(name)) for name in HARD])
    text = stream.getvalue()
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert text.count("\r\n") == len(HARD) + 1 == len(text.splitlines())
    assert tuple(rows[0]) == COLUMNS
    import base64

    assert [base64.b64decode(row["path_base64"]) for row in rows] == list(HARD)
    assert all(row["path"].startswith("./") for row in rows)
    assert not any(character < " " for character in text.replace("\r\n", ""))
    assert (rows[0]["night"], rows[0]["night_started"], rows[0]["folder"]) == ("7", "2026-05-03T03:09:37Z", "no")


def test_json_lines_are_one_object_each() -> None:
    stream = io.StringIO()
    write_json_lines("recordings", [Found(RUN, change(name)) for name in HARD], stream)
    lines = stream.getvalue().splitlines()
    found = [json.loads(line) for line in lines]
    assert [each["path"] for each in found] == ["=1+1|cmd", 'two\nlines,"quoted"', "h\ufffdndel\x1b[2J", "-rf"]
    assert all(each["night"] == 7 and each["pair"] == "recordings" for each in found)
    assert stream.getvalue().isascii() and "\x1b" not in stream.getvalue()
