"""``nightferry pair``: two drives become a pair, on a person's word."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any

from nightferry.cli.common import add_json, add_pairs, chosen_pairs, say_error
from nightferry.errors import NightferryError, WrongUse
from nightferry.reporting import exits
from nightferry.units import format_count, format_duration, format_rate, format_size, show_name, show_text

if TYPE_CHECKING:
    from nightferry.night.pairing import Proposal, Side
    from nightferry.reporting.terminal import Screen
    from nightferry.settings import PairSettings, Settings

SUMMARY = "make two drives a pair; or take a pair over on a new box"
DESCRIPTION = """\
Makes the two drives that the configuration names under NAME a pair: shows both as they are found, asks,
and writes an identity card to each and the folders of the copy to the secondary. Where both drives are
a pair already and this machine knows nothing of it, their state is taken over from the secondary; where no
sound one is left there either, it is built anew by reading the secondary."""
EXAMPLE = "  nightferry pair recordings"

_QUESTION = "Make these two drives a pair? [y/N] "
_QUESTION_ADOPT = "Take this pair over on this machine? [y/N] "
_QUESTION_REBUILD = "Read the secondary and build the manifest anew? [y/N] "
# What a hard disk behind USB 3 reads at the least, for saying how long something may take before anything was read.
_READING_BYTES_PER_S = 100_000_000


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser, needed=True)
    parser.add_argument("--yes", action="store_true", help="do not ask; needed where there is no terminal")
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.reporting import documents
    from nightferry.reporting.terminal import Screen

    settings, pairs = chosen_pairs(args)
    # With --json stdout is for the document alone; what a person is asked about goes to stderr.
    screen = Screen(sys.stderr if args.json else sys.stdout)
    made, codes = [], []
    for pair in pairs:
        asking = _Asking(screen, pair, settings, yes=args.yes)
        proposal, error = None, None
        try:
            proposal = _pair(pair, settings, asking, screen)
            codes.append(exits.ATTENTION if proposal is None else exits.SOUND)
        except NightferryError as refused:
            error = str(refused)
            codes.append(say_error(refused))
        found = proposal or asking.proposal
        made.append({**_as_json(pair.name, found, done=proposal is not None), "error": error})
    code = exits.worst(codes)
    if args.json:
        documents.write({"command": "pair", "exit_code": code, "pairs": made})
    return code


class _Asking:
    """Shows what is about to be written, and asks."""

    def __init__(self, screen: Screen, pair: PairSettings, settings: Settings, *, yes: bool) -> None:
        self._screen, self._pair, self._settings, self._yes = screen, pair, settings, yes
        self.proposal: Proposal | None = None

    def __call__(self, proposal: Proposal) -> bool:
        self.proposal = proposal
        _show(self._screen, self._pair, self._settings, proposal)
        if self._yes:
            return True
        if not sys.stdin.isatty():
            raise WrongUse(
                f'Nobody can be asked about the pair "{proposal.pair}", since this is not a terminal: nothing was'
                " written. If the two drives above are the right ones, add --yes."
            )
        sys.stdout.flush()
        sys.stderr.write({"adopt": _QUESTION_ADOPT, "rebuild": _QUESTION_REBUILD}.get(proposal.action, _QUESTION))
        sys.stderr.flush()
        return sys.stdin.readline().strip().lower() in ("y", "yes")


def _pair(pair: PairSettings, settings: Settings, asking: _Asking, screen: Screen) -> Proposal | None:
    from nightferry.night.pairing import make_pair

    proposal = make_pair(pair, settings.state_dir, asking)
    screen.gap()
    if proposal is None:
        screen.text(f"Nothing was written; {pair.name} is not a pair.")
    elif proposal.action == "none":
        screen.heading(f"{pair.name} is a pair already; nothing was written.")
        screen.text(f"See what tonight would do: nightferry tonight {pair.name}")
    elif proposal.action == "adopt":
        generation = "" if proposal.generation is None else f", generation {format_count(proposal.generation)}"
        screen.heading(f"{pair.name} was taken over from its secondary{generation}.", "sound")
        screen.text(f"See what was done last: nightferry lastnight {pair.name}")
        screen.text(f"and what tonight would do: nightferry tonight {pair.name}")
    elif proposal.action == "rebuild":
        screen.heading(f"The manifest of {pair.name} was built anew from its secondary.", "sound")
        screen.text("All files are known again, also the retired versions. What changed in which night is lost.")
        screen.text(f"See what tonight would do: nightferry tonight {pair.name}")
    else:
        screen.heading(f"{pair.name} is a pair now.", "sound")
        screen.text(f"See what the first night would do: nightferry tonight {pair.name}")
        screen.text(f"or run it now, for as long as it takes: nightferry run --without-window {pair.name}")
    return proposal


def _show(screen: Screen, pair: PairSettings, settings: Settings, proposal: Proposal) -> None:
    screen.heading(f"The pair {pair.name}")
    for side in (proposal.primary, proposal.secondary):
        screen.gap()
        screen.table((side.role, ""), _rows(side))
    screen.gap()
    if proposal.same_file_system:
        screen.point(
            "Both are on one file system: when that drive fails, the copy is gone with it. This is good for a trial"
            " only; use two drives.",
            state="attention",
        )
    elif (used := _used_bytes(proposal.primary)) > proposal.secondary.room.free_bytes - pair.keep_free:
        screen.point(
            f"The primary holds up to {format_size(used)}; the secondary has"
            f" {format_size(proposal.secondary.room.free_bytes)} free, of which {format_size(pair.keep_free)}"
            " (keep_free) stay free: not everything may fit.",
            state="attention",
        )
    if proposal.secondary.names and proposal.action == "create":
        screen.point(
            "The secondary is not empty: what is there stays as it is, and takes up room.",
            state="attention",
        )
    folder = show_text(str(settings.state_dir / pair.name))
    if proposal.action == "adopt":
        screen.point(f"To be written: the state of this pair, to {folder}. Nothing on either drive.")
        return
    if proposal.action == "rebuild":
        size, took = proposal.to_read_bytes, format_duration(proposal.to_read_bytes / _READING_BYTES_PER_S)
        screen.point(
            "No sound manifest of this pair is left, neither here nor on the secondary. It can be built anew by reading"
            f" every file of the secondary: up to {format_size(size)}, some {took} at"
            f" {format_rate(_READING_BYTES_PER_S)}. That keeps every file and every retired version. It loses the"
            " history: what changed in which night, and since when a file stands as it is.",
            state="attention",
        )
        screen.point(f"To be written: the state of this pair, to {folder}. Nothing on either drive.")
        return
    primary, secondary = show_text(str(pair.primary)), show_text(str(pair.secondary))
    screen.point(f"To be written to the primary: {primary}/.nightferry-volume.toml, its identity card. Nothing else.")
    screen.point(
        f"To be written to the secondary: {secondary}/.nightferry-volume.toml, and the folders copy, retired, staging"
        " and records."
    )
    screen.point(f"To be written here: the state of this pair, in {folder}.")
    screen.gap()


def _rows(side: Side) -> list[tuple[str, str]]:
    names = "empty" if side.names == 0 else f"{format_count(side.names)} {'name' if side.names == 1 else 'names'}"
    card = "an identity card (it is in a pair already)" if side.has_card else "no identity card"
    return [
        ("path", show_text(str(side.path))),
        ("device", show_name(side.source)),
        ("file system", show_text(side.file_system)),
        ("size", format_size(side.room.total_bytes)),
        ("free", format_size(side.room.free_bytes)),
        ("at its top", f"{names}, {card}"),
    ]


def _used_bytes(side: Side) -> int:
    return max(0, side.room.total_bytes - side.room.free_bytes)


def _as_json(name: str, proposal: Proposal | None, *, done: bool) -> dict[str, Any]:
    return {
        "pair": name,
        "action": proposal and proposal.action,
        "done": done,
        "generation": proposal and proposal.generation,
        "same_file_system": proposal and proposal.same_file_system,
        "primary": proposal and _side_as_json(proposal.primary),
        "secondary": proposal and _side_as_json(proposal.secondary),
    }


def _side_as_json(side: Side) -> dict[str, Any]:
    import os

    from nightferry.units import json_name

    return {
        **json_name(os.fsencode(side.path)),
        "device": show_name(side.source),
        "file_system": side.file_system,
        "total_bytes": side.room.total_bytes,
        "free_bytes": side.room.free_bytes,
        "names": side.names,
        "has_card": side.has_card,
    }
