"""What a night does about a drive whose reads fail: name the file and go on, until it is the drive that fails."""

from __future__ import annotations

from nightferry.errors import AbsentDrive, Failed
from nightferry.night.context import Night
from nightferry.planning.drive_health import GONE, READ_ERRORS
from nightferry.tree.content import ReadFailed
from nightferry.units import format_duration, show_text


class FailingDrive(Failed):
    """A drive is read no more. ``role`` as in ``AbsentDrive``."""

    def __init__(self, message: str, role: str) -> None:
        super().__init__(message)
        self.role = role

    def __reduce__(self) -> tuple[type[FailingDrive], tuple[str, str]]:
        return type(self), (str(self), self.role)


def read_failed(night: Night, role: str, error: OSError) -> None:
    """To be told of each failing read of a drive, before the file is named.

    Raises ``FailingDrive`` at the limit, ``AbsentDrive`` where the drive is gone. Other errors (no permission, gone
    since) are the file's own and count nothing.
    """
    if error.errno in GONE:
        raise gone(role, where(night, role), error) from error
    if error.errno in READ_ERRORS:
        night.health[role].failed(error.lost_s if isinstance(error, ReadFailed) else 0.0)
        check(night, role)


def check(night: Night, role: str) -> None:
    """Raises ``FailingDrive`` where a drive is given up."""
    if night.health[role].is_given_up:
        raise FailingDrive(given_up(night, role), role)


def given_up(night: Night, role: str) -> str:
    """The sentence on a drive that is read no more."""
    health = night.health[role]
    slow = f", which took {format_duration(health.lost_s)}" if health.lost_s >= 1.0 else ""
    rest = (
        "Copy what is most precious and not yet on the secondary off it by hand, then replace it"
        if role == "primary"
        else "Replace it, then make the new one the pair's secondary"
    )
    return (
        f"The {role} at {where(night, role)} failed {health.errors} reads tonight{slow}; it is not worked harder, and"
        f" what was finished is safe. Replace this drive: it is failing. {rest}."
    )


def gone(role: str, place: str, error: OSError) -> AbsentDrive:
    """For a drive that left in the middle of a night."""
    return AbsentDrive(
        f"The {role} at {place} left while the night ran ({error.strerror}): see the system log, check cable and power,"
        " mount it again; what was finished is safe, and the next run carries on from there.",
        role,
    )


def where(night: Night, role: str) -> str:
    """The path of a drive, safe to print."""
    return show_text(str(night.settings.primary if role == "primary" else night.settings.secondary))
