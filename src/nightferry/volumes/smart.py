"""What a drive says of its own health, through smartctl where smartmontools is installed.

Its JSON output and the bits of its exit status are read as smartctl(8) documents them. Many USB bridges pass no
such question on: then nothing is known, which is never the same as healthy.
"""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import dataclass, field
from typing import Any

# smartctl waits for the drive; a drive that does not answer within this is not asked on.
TIME_LIMIT_S = 30.0
_OUTPUT_LIMIT_BYTES = 4 << 20

# smartctl(8), EXIT STATUS.
_NOT_ASKED = 0x01 | 0x02  # the command line did not parse; the device could not be opened or gave no identity
_FAILING = 0x08
_PREFAIL_NOW = 0x10
_BELOW_THRESHOLD_ONCE = 0x20
_ERRORS_LOGGED = 0x40
_SELF_TEST_FAILED = 0x80

# Numbers of ATA attributes, as drive makers commonly use them (common practice; the ATA standard leaves them open).
_REALLOCATED, _PENDING, _UNCORRECTABLE = 5, 197, 198


@dataclass(frozen=True)
class Health:
    """None wherever the drive does not say. Counts are of sectors; on NVMe ``uncorrectable`` counts media errors."""

    failing: bool | None = None  # by the drive's own judgement
    reallocated: int | None = None
    pending: int | None = None
    uncorrectable: int | None = None
    self_test_passed: bool | None = None
    temperature_c: int | None = None
    power_on_h: int | None = None
    wear_share: float | None = None  # NVMe: of the endurance it was made for, may pass 1.0
    below_threshold: bool = False  # an attribute that foretells failure is at its limit now
    was_below_threshold: bool = False
    errors_logged: bool = False


@dataclass(frozen=True)
class Answer:
    """``health`` None: nothing is known, and ``why`` says why."""

    health: Health | None
    why: str = ""
    messages: list[str] = field(default_factory=list)


def ask(device: str, tool: str = "smartctl", time_limit_s: float = TIME_LIMIT_S) -> Answer:
    """Asks the drive at ``device`` ("/dev/sda"). Reads only; never raises."""
    found = shutil.which(tool)
    if found is None:
        return Answer(None, "smartctl is not installed (Debian package smartmontools)")
    try:
        done = subprocess.run(
            [found, "--json=c", "--all", "--", device],
            capture_output=True, timeout=time_limit_s, check=False, stdin=subprocess.DEVNULL,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return Answer(None, f"the drive did not answer smartctl within {time_limit_s:.0f} s")
    except OSError as error:
        return Answer(None, f"smartctl could not be started ({error.strerror})")
    return understand(done.stdout[:_OUTPUT_LIMIT_BYTES], done.returncode)


def understand(output: bytes, exit_status: int) -> Answer:
    """What smartctl's JSON and exit status say; never raises."""
    try:
        said = json.loads(output)
    except ValueError:
        said = None
    if not isinstance(said, dict):
        return Answer(None, "smartctl's answer could not be understood")
    messages = [
        str(each["string"])
        for each in _list(said, "smartctl", "messages")
        if isinstance(each, dict) and isinstance(each.get("string"), str)
    ][:10]
    if exit_status < 0 or exit_status & _NOT_ASKED:
        if any("permission denied" in each.casefold() for each in messages):
            return Answer(None, "only root may ask this drive: run `nightferry preflight` as root")
        return Answer(None, "the drive, or the bridge in front of it, does not pass this question on", messages)
    health = _health(said, exit_status)
    if health == Health():
        return Answer(None, "the drive says nothing of its health", messages)
    return Answer(health, messages=messages)


def _health(said: dict[str, Any], exit_status: int) -> Health:
    attributes = {
        each.get("id"): _whole(each, "raw", "value")
        for each in _list(said, "ata_smart_attributes", "table")
        if isinstance(each, dict)
    }
    passed = _at(said, "smart_status", "passed")
    failing = True if exit_status & _FAILING else not passed if isinstance(passed, bool) else None
    used_percent = _whole(said, "nvme_smart_health_information_log", "percentage_used")
    media_errors = _whole(said, "nvme_smart_health_information_log", "media_errors")
    return Health(
        failing=failing,
        reallocated=attributes.get(_REALLOCATED),
        pending=attributes.get(_PENDING),
        uncorrectable=attributes.get(_UNCORRECTABLE, media_errors),
        self_test_passed=_self_test(said, exit_status),
        temperature_c=_whole(said, "temperature", "current"),
        power_on_h=_whole(said, "power_on_time", "hours"),
        wear_share=None if used_percent is None else used_percent / 100,
        below_threshold=bool(exit_status & _PREFAIL_NOW),
        was_below_threshold=bool(exit_status & _BELOW_THRESHOLD_ONCE),
        errors_logged=bool(exit_status & _ERRORS_LOGGED),
    )


def _self_test(said: dict[str, Any], exit_status: int) -> bool | None:
    """Whether the newest self-test that came to an end passed; None where none did."""
    if exit_status & _SELF_TEST_FAILED:
        return False
    ended = [_at(each, "status", "passed") for each in _list(said, "ata_smart_self_test_log", "standard", "table")]
    # NVM Express base specification, Device Self-test log: 0 is "completed without error", 5 to 7 are failures.
    results = [_at(each, "self_test_result", "value") for each in _list(said, "nvme_self_test_log", "table")]
    ended += [result == 0 for result in results if result in (0, 5, 6, 7) and not isinstance(result, bool)]
    return next((passed for passed in ended if isinstance(passed, bool)), None)


def _at(said: Any, *keys: str) -> Any:
    for key in keys:
        said = said.get(key) if isinstance(said, dict) else None
    return said


def _list(said: Any, *keys: str) -> list[Any]:
    found = _at(said, *keys)
    return found if isinstance(found, list) else []


def _whole(said: Any, *keys: str) -> int | None:
    found = _at(said, *keys)
    return found if isinstance(found, int) and not isinstance(found, bool) and found >= 0 else None
