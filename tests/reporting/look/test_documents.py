"""JSON, whole and streamed."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator

from nightferry.reporting.look.documents import StreamedDocument, text_of, write


def test_nothing_in_it_acts_on_a_terminal() -> None:
    text = text_of({"path": "\x1b[31m\x07\x7f\x9b\u202e\ud800 ü"})
    assert text.isascii() and text.isprintable()
    assert json.loads(text)["path"] == "\x1b[31m\x07\x7f\x9b\u202e\ud800 ü"


def test_a_whole_document_is_one_line() -> None:
    stream = io.StringIO()
    write({"a": [1, "two\n"]}, stream)
    assert stream.getvalue() == '{"a": [1, "two\\n"]}\n'


def test_a_streamed_one_is_written_as_it_is_found() -> None:
    stream = io.StringIO()
    seen = []

    def items() -> Iterator[dict[str, int]]:
        for number in range(3):
            seen.append(stream.tell())
            yield {"number": number}

    document = StreamedDocument({"command": "lastnight"}, stream)
    document.pair({"pair": "recordings"}, "changes", items())
    document.pair({"pair": "scores"}, "changes", ())
    document.end({"exit_code": 0})
    assert seen[0] < seen[1] < seen[2]
    assert json.loads(stream.getvalue()) == {
        "command": "lastnight",
        "pairs": [
            {"pair": "recordings", "changes": [{"number": 0}, {"number": 1}, {"number": 2}]},
            {"pair": "scores", "changes": []},
        ],
        "exit_code": 0,
    }


def test_without_pairs_and_tail() -> None:
    stream = io.StringIO()
    StreamedDocument({"command": "tonight"}, stream).end({})
    assert json.loads(stream.getvalue()) == {"command": "tonight", "pairs": []}
