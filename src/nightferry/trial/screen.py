"""How the trial's story looks on a terminal; plain text where the output is not one."""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console
from rich.status import Status
from rich.text import Text

_WIDEST = 88
_MARGIN = " " * 3
_LABEL_WIDTH = 9


class Screen:
    """Prints to standard output, or nothing where ``quiet``. Text is never read as markup: it may hold names."""

    def __init__(self, *, quiet: bool = False) -> None:
        self._console = Console(quiet=quiet, highlight=False, markup=False, emoji=False)
        self._console.width = min(self._console.width, _WIDEST)

    def title(self, text: str) -> None:
        self._print(Text(), Text(), Text(text, style="bold"))

    def heading(self, text: str) -> None:
        self._console.print()
        self._print(Text(), Text(), Text(text, style="bold cyan"))

    def text(self, text: str, style: str = "") -> None:
        self._print(Text(_MARGIN), Text(_MARGIN), Text(text, style=style))

    def items(self, items: Iterable[str]) -> None:
        for item in items:
            self._print(Text(_MARGIN + "- "), Text(_MARGIN + "  "), Text(item))

    def table(self, rows: Iterable[tuple[str, str]]) -> None:
        found = list(rows)
        width = max((len(first) for first, _ in found), default=0) + 2
        for first, second in found:
            self._labelled(first, width, "", Text(second))

    def command(self, line: str) -> None:
        """Never wrapped, so that it can be copied."""
        self._console.print(Text(_MARGIN + line), soft_wrap=True)

    def night(self, when: str, text: str) -> None:
        self._labelled("night", _LABEL_WIDTH, "blue", Text.assemble((when, "dim"), "\n", text))

    def check(self, claim: str, *, holds: bool, found: str = "") -> None:
        if holds:
            self._labelled("checked", _LABEL_WIDTH, "green", Text(claim))
        else:
            self._labelled("NOT SO", _LABEL_WIDTH, "bold red", Text(f"{claim}. Found: {found or 'otherwise'}"))

    def working(self, text: str) -> Status:
        """For a ``with`` block: shows on a terminal that something goes on."""
        return self._console.status(Text(text))

    def _labelled(self, label: str, width: int, style: str, what: Text) -> None:
        first = Text.assemble(_MARGIN, (label.ljust(width), style))
        self._print(first, Text(_MARGIN + " " * width), what)

    def _print(self, first: Text, rest: Text, what: Text) -> None:
        """Wrapped with a hanging indent. By hand: rich's own layouts fill each line with spaces to its end."""
        for number, line in enumerate(what.wrap(self._console, max(20, self._console.width - len(rest)))):
            line.rstrip()
            self._console.print(Text.assemble(rest if number else first, line), soft_wrap=True)
