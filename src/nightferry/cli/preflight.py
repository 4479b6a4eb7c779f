"""``nightferry preflight``: is all ready for tonight."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from nightferry.cli.common import add_json, add_pairs, chosen_pairs
from nightferry.errors import NightferryError
from nightferry.reporting.look import exits

if TYPE_CHECKING:
    from nightferry.night.readiness import Sources
    from nightferry.planning.findings import Finding
    from nightferry.settings import PairSettings, Settings

SUMMARY = "is all ready for tonight; what is not, and what to do about it"
DESCRIPTION = """\
Looks at the configuration, the drives of each pair and the box: identity, mounts, room, file systems, the
links and their negotiated speed, power, health, errors, the clock, the network. Each finding says what it
means and what to do. What cannot be found out is called not known, never fine. It only looks; to try out
the secondary it makes a folder in its staging/ and removes it again. It returns 0 where nothing wants
attention, 1 where something does, and what a night would return where a night could not run."""
EXAMPLE = "  nightferry preflight recordings"


def configure(parser: argparse.ArgumentParser) -> None:
    """The arguments."""
    add_pairs(parser)
    add_json(parser)


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.night.readiness import Sources, of_box
    from nightferry.planning.findings import configured, exit_code
    from nightferry.reporting.look import documents
    from nightferry.reporting.look.terminal import Screen
    from nightferry.reporting.screens.preflight_text import finding_as_json, show_findings

    settings, pairs = chosen_pairs(args)
    sources = Sources()
    of_pairs = {pair.name: _of_pair(pair, settings, sources) for pair in pairs}
    behind = [behind_s for _, behind_s in of_pairs.values() if behind_s is not None]
    box = [configured(args.config, len(settings.pair)), *of_box(sources, max(behind, default=None))]
    codes = {name: exits.worst(exit_code(found)) for name, (found, _) in of_pairs.items()}
    code = exits.worst([*codes.values(), *exit_code(box)])
    if args.json:
        documents.write(
            {
                "command": "preflight",
                "exit_code": code,
                "box": {"findings": [finding_as_json(each) for each in box]},
                "pairs": [
                    {"pair": name, "exit_code": codes[name], "findings": [finding_as_json(each) for each in found]}
                    for name, (found, _) in of_pairs.items()
                ],
            }
        )
        return code
    screen = Screen()
    for name, (found, _) in of_pairs.items():
        show_findings(screen, name, found)
        screen.gap()
    show_findings(screen, "This box", box)
    return code


def _of_pair(pair: PairSettings, settings: Settings, sources: Sources) -> tuple[list[Finding], float | None]:
    """As ``readiness.of_pair``; that a drive never answers is what was found out then."""
    from nightferry.cli.watched import drives_of, watched
    from nightferry.night.context import Clock
    from nightferry.night.readiness import of_pair
    from nightferry.planning.findings import Finding
    from nightferry.tree.effects import Effects

    try:
        return watched(
            lambda: of_pair(pair, settings.state_dir, Effects(), Clock(), sources), "preflight", drives_of(pair)
        )
    except NightferryError as hung:
        return [Finding.failure("identity", "pair", hung, hung.exit_code)], None
