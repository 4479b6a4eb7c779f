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

from nightferry.units import show_text

STYLES = {"sound": "bold green", "attention": "bold yellow", "failed": "bold red"}

# On a pipe nothing is wrapped: whoever reads it looks for lines.
_PIPE_COLUMNS = 100_000
_NARROWEST = 40
_BAR_COLUMNS = 40


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
        self._print(Text(printable(text), style=STYLES.get(state or "", "bold")))

    def text(self, sentence: str, *, style: str = "") -> None:
        """A sentence or several, wrapped between words."""
        self._print(Text(printable(sentence), style=style))

    def point(self, sentence: str, *, state: str | None = None) -> None:
        """One of several things to say, indented below its mark."""
        grid = Table.grid(padding=(0, 1))
        grid.add_column(no_wrap=True)
        grid.add_column(overflow="fold")
        grid.add_row(Text("-", style=STYLES.get(state or "", "")), Text(printable(sentence)))
        self._print(grid)

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
            table.add_row(*(Text(printable(cell)) for cell in row))
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

    def _print(self, what: Text | Table) -> None:
        if self.is_terminal:
            self._console.print(what)
            return
        with self._console.capture() as captured:
            self._console.print(what)
        # rich fills cells up to the width of their column: nothing that a pipe needs.
        self._stream.write("".join(f"{line.rstrip()}\n" for line in captured.get().splitlines()))
