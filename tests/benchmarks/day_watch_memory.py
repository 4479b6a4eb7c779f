"""What watching a tree of 200,000 folders costs: memory here, memory of the kernel, time.

    python tests/benchmarks/day_watch_memory.py [FOLDERS]

Makes the tree in a temporary folder (some minutes on a slow disk) and removes it.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

ONE = """
import sys, time
from pathlib import Path
from nightferry.daemon.watching import DayWatch
def resident_kib():
    return int(next(line for line in open("/proc/self/status") if line.startswith("VmRSS")).split()[1])
def kernel_kib():
    return int(next(line for line in open("/proc/meminfo") if line.startswith("SUnreclaim")).split()[1])
before, kernel_before = resident_kib(), kernel_kib()
watch = DayWatch(Path(sys.argv[1]), require_mount=False, most_folders=int(sys.argv[2]), limit=None,
                 excludes=lambda path, is_folder: False, tell=print)
began, processor = time.monotonic(), time.process_time()
watch.start()
last, took = -1, 0.0
while watch.watched != last:
    last, took = watch.watched, time.monotonic() - began
    time.sleep(2)
idle = time.process_time()
time.sleep(10)
print(f"{watch.watched:,} folders watched in {took:.0f} s ({idle - processor:.1f} s of processor time), then "
      f"{(time.process_time() - idle) / 10:.2%} of a processor; {(resident_kib() - before) / 1024:.1f} MiB here "
      f"({before / 1024:.1f} MiB without), {(kernel_kib() - kernel_before) / 1024:.1f} MiB more in the kernel; "
      + (" ".join(watch.look().incomplete) or "complete"))
"""


def main() -> None:
    folders = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    with tempfile.TemporaryDirectory() as root:
        for n in range(folders // 1000):
            os.mkdir(Path(root, f"{n:03} concert"))
            for m in range(999):
                os.mkdir(Path(root, f"{n:03} concert", f"{m:03} rehearsal"))
        for most in (50_000, 1_000_000):
            print(f"watch_folders = {most:,}:", flush=True)
            subprocess.run([sys.executable, "-c", ONE, root, str(most)], check=True)


if __name__ == "__main__":
    main()
