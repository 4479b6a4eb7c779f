"""A monitor asks for the status each minute: it loads nothing slow. How long that takes: benchmarks/start_up.py."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from box import Box, clean_environment

SLOW = (
    "pydantic",
    "pydantic_settings",
    "sqlite3",
    "apscheduler",
    "watchdog",
    "structlog",
    "jinja2",
    "apprise",
    "rich.live",
)
PROGRAM = f"""
import sys
from nightferry.cli.main import main
code = main(sys.argv[1:])
print("LOADED", [each for each in {SLOW!r} if each in sys.modules], "rich" in sys.modules, code)
"""


@pytest.mark.parametrize(
    ("options", "with_rich"), [((), True), (("--json",), False), (("--json", "recordings"), False)]
)
def test_it_loads_nothing_slow(tmp_path: Path, options: tuple[str, ...], with_rich: bool) -> None:
    box = Box(tmp_path)
    box.ok("pair", "--yes", "recordings")
    box.ok("run")
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "--config", str(box.config), "status", *options],
        capture_output=True, text=True, timeout=60, env=clean_environment(), check=False,
    )  # fmt: skip
    assert done.stdout.splitlines()[-1] == f"LOADED [] {with_rich} 0", (done.stdout, done.stderr)


def test_a_changed_configuration_is_checked_as_always(tmp_path: Path) -> None:
    """Fast is for what was found right: a wrong one is never taken for it."""
    box = Box(tmp_path)
    box.ok("pair", "--yes", "recordings")
    box.ok("run")
    box.config.write_text(box.config.read_text() + "\nwrong = 1\n")
    done = box.run("status")
    assert done.returncode == 2 and "wrong" in done.stderr
