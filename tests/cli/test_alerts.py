"""Alerts of whole commands: damage that a night found, and that it is mended."""

from __future__ import annotations

import json
from pathlib import Path

from box import CONCERT, Box


def test_open_damage_is_in_the_alert_until_it_is_mended(box: Box, tmp_path: Path) -> None:
    out = tmp_path / "told"
    program = tmp_path / "tell-the-choir"
    program.write_text(f"#!/bin/sh\ncat >> {out}\n")
    program.chmod(0o755)
    box.configure(("recordings",), per_pair={"recordings": f'alert_command = ["{program}"]'})
    box.ok("pair", "recordings", "--yes")
    box.fill()
    box.ok("run")
    next((box.primary() / CONCERT).iterdir()).unlink()
    box.ok("run")
    assert not out.exists()
    # Written to behind nightferry's back, in the one place that nothing can be mended from.
    (retired,) = (path for path in (box.secondary() / "retired").rglob("*") if path.is_file())
    retired.write_bytes(b"somebody wrote here")
    box.ok("verify", "recordings", "--all", code=1)
    for _ in range(2):
        box.ok("run", code=1)
    box.ok("mend", "recordings", "--accept", "--yes")
    for _ in range(2):
        box.ok("run")
    told = [json.loads(line) for line in out.read_text().splitlines()]
    assert [each["kind"] for each in told] == ["attention", "well"]
    assert [reason["code"] for reason in told[0]["reasons"]] == ["damage"]
