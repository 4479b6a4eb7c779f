"""Rule J: a small box has little memory, and a system disk that wears out."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from harness import Pair

from drives import MIB, Drive, DriveFactory, run

_NIGHT = """
import sys
from datetime import timedelta
from pathlib import Path
from nightferry.night.context import Unwatched
from nightferry.night.run import run_night
from nightferry.settings import PairSettings

root = Path(sys.argv[1])
settings = PairSettings(
    name="recordings", primary=root / "primary", secondary=root / "secondary", require_mount=False,
    settle_quiet=timedelta(0), keep_free=0, hold_share=None, hold_count=None,
)
result = run_night(settings, root / "state", Unwatched())
# proc_pid_status(5): the peak of this program's own memory. getrusage(2) would count what its parent had before exec.
peak = next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM:"))
print(result.outcome, peak)
"""


def night_in_a_process(root: Path) -> int:
    """Peak memory of one night in KiB, imports and all."""
    done = subprocess.run([sys.executable, "-c", _NIGHT, str(root)], capture_output=True, text=True, check=True)
    outcome, peak_kib = done.stdout.split()
    assert outcome == "complete", done.stderr
    return int(peak_kib)


def many_files(primary: Path, count: int) -> None:
    for number in range(count):
        folder = primary / f"season {number // 500:03d}"
        if number % 500 == 0:
            folder.mkdir(parents=True)
        (folder / f"take {number:06d}.txt").touch()


def test_rule_J_memory_does_not_grow_with_files_on_any_night(tmp_path: Path) -> None:
    peaks = []
    for count in (1_000, 16_000):
        root = tmp_path / str(count)
        pair = Pair(root / "primary", root / "secondary", root / "state")
        pair.write("programme.txt", "Kyrie\n")  # stays: a primary that came up empty is held
        many_files(pair.primary, count)
        first = night_in_a_process(root)
        quiet = night_in_a_process(root)
        run("rm", "-r", "--", *sorted(pair.primary.glob("season *")))
        peaks.append((first, quiet, night_in_a_process(root)))
    for few, many in zip(*peaks, strict=True):
        # In KiB. The database's own caches fill up to their limits (8 and 16 MiB), and a batch has 2,000 names.
        assert many <= few + 24 * 1024, peaks
    assert max(peaks[1]) <= 120 * 1024, peaks


def sectors_written(drive: Drive) -> int:
    drive.sync()
    # Documentation/block/stat.rst: the seventh field, in sectors of 512 bytes.
    return int(Path(f"/sys/block/{Path(drive.device).name}/stat").read_text().split()[6])


@pytest.mark.parametrize("count", [10, 5_000])
def test_rule_J_a_quiet_night_writes_little_to_the_system_disk(
    drives: DriveFactory, tmp_path: Path, count: int
) -> None:
    # Else the kernel goes on making inode tables after the mount, and its writes count as ours (mkfs.ext4(8)).
    at_once = ("-E", "lazy_itable_init=0,lazy_journal_init=0")
    system_disk = drives("ext4", 64 * MIB, format_options=at_once)
    pair = Pair(tmp_path / "primary", tmp_path / "secondary", system_disk.root / "state")
    many_files(pair.primary, count)
    pair.run_well()
    before = sectors_written(system_disk)
    pair.run_quiet()
    assert (sectors_written(system_disk) - before) * 512 <= MIB
