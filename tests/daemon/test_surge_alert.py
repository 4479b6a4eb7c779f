"""A surge by day is told before the night: seen on the primary, entered in the status, and handed to a command."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from service import Service

from box import CONCERT, Box


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    made = Service(Box(tmp_path), tmp_path / "daemon.log")
    yield made
    made.close()


def test_a_surge_is_told_the_same_hour(service: Service, tmp_path: Path) -> None:
    box, out = service.box, tmp_path / "told"
    program = tmp_path / "tell-the-choir"
    program.write_text(f"#!/bin/sh\ncat >> {out}\n")
    program.chmod(0o755)
    now = datetime.now()
    later = f'start = "{now + timedelta(hours=8):%H:%M}"\nfinish_by = "{now + timedelta(hours=9):%H:%M}"'
    box.configure(("recordings",), later, {"recordings": f'hold_count = 20\nalert_command = ["{program}"]'})
    box.fill(files=60)
    box.ok("pair", "--yes", "recordings")
    box.ok("run")
    assert not out.exists()
    service.start()
    service.wait(lambda: service.says("event=ready"))
    victims = sorted((box.primary() / CONCERT).glob("* kyrie.wav"))

    def is_told() -> bool:
        # One after another: what goes before the folder is watched is not seen.
        if victims:
            victims.pop().unlink()
        return out.exists() and out.read_text().endswith("\n")

    service.wait(is_told)
    told = json.loads(out.read_text().splitlines()[0])
    assert (told["pair"], told["kind"], told["state"]) == ("recordings", "attention", "attention")
    assert [reason["code"] for reason in told["reasons"]] == ["surge"]
    assert "were deleted" in told["reasons"][0]["sentence"]
    found = box.json("status", code=1)["pairs"][0]
    assert [reason["code"] for reason in found["reasons"]] == ["surge"]
    assert found["last_run"]["number"] == 1, "before the night"
    page, on_drive = (folder / "reports" / "latest.html" for folder in (box.folder(), box.secondary() / "records"))
    service.wait(lambda: "Something is out of the ordinary" in page.read_text())
    assert "when something came up by day" in page.read_text()
    assert "Something is out of the ordinary" not in on_drive.read_text(), "that drive may sleep"
    assert service.stop() == 0
