"""TERM and INT amid one file of 50 GiB: a run stops within seconds, keeps what is finished, and leaves nothing."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import pytest

from box import Box, wait_for
from drives import missing_privileges
from faulty_fuse import FaultyDrive

# In a folder of its own, whose turn comes last: within a folder the inodes decide, and those of FUSE come as asked for.
LONG_FILE = "zz all of it/whole concert.wav"
# At 128 KiB a read and five reads a second it would take a day; a run that stops needs a moment.
READ_S, LIMIT_S = 0.2, 60

pytestmark = pytest.mark.skipif(bool(missing_privileges()), reason=missing_privileges() or "-")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_run_stops_amid_a_file(tmp_path: Path, number: signal.Signals) -> None:
    box = Box(tmp_path)
    with FaultyDrive(tmp_path / "behind", box.primary()) as drive:
        box.fill()
        box.ok("pair", "--yes", "recordings")
        (drive.behind / LONG_FILE).parent.mkdir()
        with (drive.behind / LONG_FILE).open("wb") as file:
            file.write(b"kyrie" * 1_000_000)
            file.truncate(50 << 30)
        drive.delay(LONG_FILE, "read", seconds=READ_S)
        run = box.start("run", "--without-window", "--json", "recordings")
        staging = box.secondary() / "staging"
        try:
            wait_for(lambda: any(each.stat().st_size > 100_000 for each in staging.iterdir()), 90)
            run.send_signal(number)
            out, err = run.communicate(timeout=LIMIT_S)
        finally:
            run.kill()
            run.wait()
    assert run.returncode == 1, err
    (pair,) = json.loads(out)["pairs"]
    assert pair["outcome"] == "interrupted", pair
    assert list(staging.iterdir()) == []
    # Finished files are kept, and of the one in progress there is nothing, under no name.
    assert sorted(path.name for path in box.copy().rglob("*.wav")) == [f"{n:02} kyrie.wav" for n in range(1, 7)]
    assert not list((box.secondary() / "retired").rglob("*.wav"))
    found = box.json("status", code=1)["pairs"][0]
    assert found["run"] is None
    assert found["unprotected"]["files"] == 1
    assert found["unprotected"]["bytes"] == 50 << 30
