"""What can go wrong, each kind with the exit code that a script sees.

Every message is one sentence for a person: what was found, where, and what to do.
"""

from __future__ import annotations


class NightferryError(Exception):
    """Anything that ends a command; shown as one sentence, never as a traceback."""

    exit_code = 4


class WrongUse(NightferryError):
    """The command line or the configuration is wrong."""

    exit_code = 2


class NotAPair(WrongUse):
    """This machine has no state of a pair: it was never made one, or the state went with a system disk."""

    def __init__(self, pair: str) -> None:
        super().__init__(
            f'"{pair}" is not a pair yet on this machine: `nightferry pair {pair}` makes the drives a pair, or takes'
            " the pair over from its secondary."
        )
        self.pair = pair

    def __reduce__(self) -> tuple[type[NotAPair], tuple[str]]:
        return type(self), (self.pair,)


class NotKnown(NightferryError):
    """What is asked for may have been, and the records that would tell are lost."""

    exit_code = 1


class WrongDrive(NightferryError):
    """A drive is missing, or is not the paired one; nothing was written to it."""

    exit_code = 3


class AbsentDrive(WrongDrive):
    """A drive is not there at all. ``role`` is "primary" or "secondary"; a secondary may be allowed to be away."""

    def __init__(self, message: str, role: str) -> None:
        super().__init__(message)
        self.role = role

    def __reduce__(self) -> tuple[type[AbsentDrive], tuple[str, str]]:
        return type(self), (str(self), self.role)


class HungDrive(WrongDrive):
    """A drive does not answer. ``is_stuck``: the process that asked it could not be ended and keeps its locks."""

    def __init__(self, message: str, is_stuck: bool) -> None:
        super().__init__(message)
        self.is_stuck = is_stuck

    def __reduce__(self) -> tuple[type[HungDrive], tuple[str, bool]]:
        return type(self), (str(self), self.is_stuck)


class Failed(NightferryError):
    """The work could not be done."""

    exit_code = 4


class Busy(NightferryError):
    """Another run of this pair is in progress."""

    exit_code = 5
