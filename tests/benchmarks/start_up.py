"""How long the commands take that are asked most often: `status`, which a monitor calls each minute, and `--help`.

    python tests/benchmarks/start_up.py [ROUNDS]

Beside `python -c pass`, which nobody gets below, and one round of each after the other, so that a busy moment falls on
all. Prints medians of the time by the clock and of the processor's time; the second is what holds on a busy machine.
The bounds (0.25 s for `status`, 0.2 s for `--help`) are meant for a machine that does nothing else.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

CONFIG = """
state_dir = "{root}/state"
[[pair]]
name = "recordings"
primary = "{root}/primary"
secondary = "{root}/secondary"
require_mount = false
settle_quiet = "0s"
keep_free = "0"
"""


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        config = root / "nightferry.toml"
        config.write_text(CONFIG.format(root=root))
        for name in ("primary", "secondary"):
            (root / name).mkdir()
        (root / "primary/01 kyrie.wav").write_bytes(b"kyrie" * 1000)
        nightferry = (sys.executable, "-m", "nightferry", "--config", str(config))
        for command in (("pair", "--yes", "recordings"), ("run",)):
            subprocess.run([*nightferry, *command], check=True, capture_output=True, timeout=120)
        asked = {
            "python -c pass": (sys.executable, "-c", "pass"),
            "nightferry --help": (*nightferry, "--help"),
            "nightferry status --json": (*nightferry, "status", "--json"),
            "nightferry status": (*nightferry, "status"),
        }
        taken: dict[str, list[tuple[float, float]]] = {name: [] for name in asked}
        for _ in range(rounds):
            for name, command in asked.items():
                taken[name].append(_once(command))
    print(f"medians of {rounds} rounds on {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}:")
    for name, times in taken.items():
        by_clock_s, of_processor_s = (statistics.median(each) for each in zip(*times, strict=True))
        print(f"{name:28} {by_clock_s:6.3f} s by the clock, {of_processor_s:6.3f} s of the processor")


def _once(command: tuple[str, ...]) -> tuple[float, float]:
    began_s, before = time.monotonic(), os.times()
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, timeout=120)
    after = os.times()
    spent_s = after.children_user + after.children_system - before.children_user - before.children_system
    return time.monotonic() - began_s, spent_s


if __name__ == "__main__":
    main()
