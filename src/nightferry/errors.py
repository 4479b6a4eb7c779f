"""What can go wrong, each kind with the exit code that a script sees.

Every message is one sentence for a person: what was found, where, and what to do.
"""


class NightferryError(Exception):
    """Anything that ends a command; shown as one sentence, never as a traceback."""

    exit_code = 4


class WrongUse(NightferryError):
    """The command line or the configuration is wrong."""

    exit_code = 2


class WrongDrive(NightferryError):
    """A drive is missing, or is not the paired one; nothing was written to it."""

    exit_code = 3


class AbsentDrive(WrongDrive):
    """A drive is not there at all. ``role`` is "primary" or "secondary"; a secondary may be allowed to be away."""

    def __init__(self, message: str, role: str) -> None:
        super().__init__(message)
        self.role = role


class Failed(NightferryError):
    """The work could not be done."""

    exit_code = 4


class Busy(NightferryError):
    """Another run of this pair is in progress."""

    exit_code = 5
