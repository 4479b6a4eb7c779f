"""What a command shows: text and tables that fit the terminal, and plain lines where there is none.

Colours and bold come from rich, which honours NO_COLOR and leaves them out on a pipe. A name never
goes through rich's markup, and only after ``show_name``: no byte of a name can act on a terminal.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import NamedTuple, TextIO

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from nightferry.reporting.look.unbroken import JOINT, joined
from nightferry.units import show_text

STYLES = {"sound": "bold green", "attention": "bold yellow", "failed": "bold red"}

# On a pipe nothing is wrapped: whoever reads it looks for lines.
_PIPE_COLUMNS = 100_000
_NARROWEST = 40
_BAR_COLUMNS = 40
# Longer lines of a sentence lose the reader on the way back (common practice, no source).
_TEXT_COLUMNS = 110


def printable(text: str) -> str:
    """Text that was made for a person, with what could still act on a terminal made visible.

    Unlike ``show_text`` it leaves backslashes as they are: the names in it have been through that already.
    """
    if text.isprintable():
        return text
    return "".join(each if each.isprintable() or each == "\n" else show_text(each) for each in text)


class Block(NamedTuple):
    """What ``Screen.redrawn`` draws: a heading, rows of a label and a value, and how much is done (None: not known)."""

    heading: str
    rows: Sequence[tuple[str, str]] = ()
    share: float | None = None


def _drawn(blocks: Sequence[Block]) -> Group:
    from rich.progress_bar import ProgressBar  # slow to load, as Live is, and for few commands

    parts: list[Text | Table | ProgressBar] = []
    for block in blocks:
        if parts:
            parts.append(Text(""))
        parts.append(Text(printable(block.heading), style="bold"))
        grid = Table.grid(padding=(0, 3, 0, 0))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        for label, value in block.rows:
            grid.add_row(Text(printable(label)), Text(printable(value)))
        parts.append(grid)
        if block.share is not None:
            parts.append(ProgressBar(total=1.0, completed=block.share, width=_BAR_COLUMNS))
    return Group(*parts)


class _Console(Console):
    """rich ends the program on a closed pipe; here the command line does, after it has put things away."""

    def on_broken_pipe(self) -> None:
        raise BrokenPipeError


class Screen:
    """A stream to show things on."""

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = stream or sys.stdout
        self.is_terminal = self._stream.isatty()
        self._console = _Console(
            file=self._stream,
            width=None if self.is_terminal else _PIPE_COLUMNS,
            markup=False,
            emoji=False,
            highlight=False,
        )
        self.columns = max(_NARROWEST, self._console.width)

    def heading(self, text: str, state: str | None = None) -> None:
        """The first line of a part; ``state`` colours it."""
        self._print(self._filled(text, style=STYLES.get(state or "", "bold")), is_text=True)

    def text(self, sentence: str, *, style: str = "") -> None:
        """A sentence or several, wrapped between words."""
        self._print(self._filled(sentence, style=style), is_text=True)

    def point(self, sentence: str, *, state: str | None = None, mark: str = "-") -> None:
        """One of several things to say, indented below its mark."""
        grid = Table.grid(padding=(0, 1))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        said = self._filled(sentence, indent=len(mark) + 1)
        grid.add_row(Text(mark, style=STYLES.get(state or "", "")), said)
        self._print(grid, is_text=True)

    def table(self, columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        """Rows under their headings; a heading that starts with ">" stands over numbers, aligned to the right."""
        table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), header_style="bold", show_header=any(columns))
        for position, name in enumerate(columns):
            is_last = position == len(columns) - 1
            table.add_column(
                Text(name.lstrip(">")),
                justify="right" if name.startswith(">") else "left",
                no_wrap=not is_last,
                overflow="fold",
            )
        for row in rows:
            table.add_row(*(self._filled(cell, indent=self.columns // 2) for cell in row))
        self._print(table)

    @contextmanager
    def redrawn(self) -> Iterator[Callable[[Sequence[Block]], None]]:
        """A part of the terminal that is drawn anew in its place by each call, and is gone after the block."""
        from rich.live import Live

        with Live(
            console=self._console, auto_refresh=False, transient=True, redirect_stdout=False, redirect_stderr=False
        ) as live:
            yield lambda blocks: live.update(_drawn(blocks), refresh=True)

    def line(self, text: str) -> None:
        """One line of a long list: straight to the stream, never wrapped, nothing kept."""
        self._stream.write(printable(text) + "\n")

    def gap(self) -> None:
        """An empty line."""
        self._stream.write("\n")

    def _filled(self, text: str, *, indent: int = 0, style: str = "") -> Text:
        """Text of which lines are made. ``indent``: columns that it has not, about."""
        return Text(joined(printable(text), self.columns - indent), style=style)

    def _print(self, what: Text | Table, *, is_text: bool = False) -> None:
        width = min(self._console.width, _TEXT_COLUMNS) if is_text and self.is_terminal else None
        with self._console.capture() as captured:
            self._console.print(what, width=width)
        made = captured.get().replace(JOINT, " ")
        if not self.is_terminal:
            # rich fills cells up to the width of their column: nothing that a pipe needs.
            made = "".join(f"{line.rstrip()}\n" for line in made.splitlines())
        self._stream.write(made)
