"""``nightferry daemon``: the scheduler."""

from __future__ import annotations

import argparse

SUMMARY = "the scheduler: begins each night when it is due"
DESCRIPTION = """\
Stays and begins the night of each pair at its `start`, on its `days`, each once; pairs that share a drive one
after another. A night that was due while this machine was off is begun late or left out, as `if_missed` says; one
whose drive was missing is begun again when the drive comes, within its window.
SIGTERM and Ctrl-C stop it and any night within seconds; SIGHUP rereads the configuration, and keeps the one
before where the new one is wrong. systemd/nightferry.service starts it with the machine."""
EXAMPLE = "  nightferry daemon"


def configure(parser: argparse.ArgumentParser) -> None:
    """It takes no arguments of its own."""


def main(args: argparse.Namespace) -> int:
    """Runs the command; returns its exit code."""
    from nightferry.daemon.configuration import take
    from nightferry.daemon.notify import Notifier
    from nightferry.daemon.service import Daemon, single
    from nightferry.reporting.look.logs import Logger
    from nightferry.volumes.lock import PairLock

    notifier = Notifier()
    settings, copy = take(args.config)
    with PairLock(single(settings.state_dir), "daemon"):
        return Daemon(args.config, settings, copy, Logger(), notifier).run()
