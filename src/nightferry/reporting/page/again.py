"""The page beside a pair's state, made again while the daemon runs: something came up by day, and the status says it.

    python -m nightferry.reporting.page.again CONFIGURATION PAIR

A process of its own, so that the daemon stays as small as it is. No drive is asked, and none is woken: the page on the
secondary stays as it is, and says when it was written and where to look.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

# What takes longer hangs: a page takes a second or two.
TIME_LIMIT_S = 120.0
BY_DAY = "daemon"


def page_again(config: Path, pair: str) -> str | None:
    """Starts that process and waits for it. What went wrong, in words, else None."""
    # -P: nothing is imported from the working directory.
    command = (sys.executable, "-P", "-m", "nightferry.reporting.page.again", str(config), pair)
    try:
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, timeout=TIME_LIMIT_S, check=False
        )
    except OSError as error:
        return f"the morning report could not be made again ({error.strerror})"
    except subprocess.TimeoutExpired:
        return f"the morning report could not be made again within {TIME_LIMIT_S:g} s"
    return f"the morning report could not be made again (exit code {done.returncode})" if done.returncode else None


def main(config: Path, pair: str) -> int:
    """Makes it. What cannot be written is said in the log, as elsewhere."""
    from nightferry.errors import NightferryError
    from nightferry.reporting.page.reports import bring_up_to_date
    from nightferry.settings import load

    try:
        settings = load(config)
        (chosen,) = settings.chosen([pair])
    except NightferryError as error:
        return error.exit_code
    bring_up_to_date(chosen, settings.state_dir, BY_DAY, time.time(), on_secondary=False)
    return 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2]))
