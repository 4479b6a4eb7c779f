"""The folder that a restore writes into: made or opened, locked for one restore, and left tidy however that ends."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from nightferry.errors import Failed, WrongUse
from nightferry.recovery.restoring.refusals import failed
from nightferry.recovery.restoring.staging import Staging
from nightferry.recovery.restoring.target import OURS_MODE, Target, is_ours
from nightferry.tree.content import Buffers
from nightferry.tree.effects import Effects
from nightferry.tree.root import Root
from nightferry.units import show_text
from nightferry.volumes.capabilities import probe
from nightferry.volumes.mounts import mount_of


@contextmanager
def open_target(
    path: Path,
    effects: Effects,
    buffers: Buffers,
    *,
    should_stop: Callable[[], bool] = lambda: False,
    progress: Callable[[int], None] = lambda size_bytes: None,
    cold: bool = False,
) -> Iterator[tuple[Target, bool]]:
    """A folder to restore into, made where missing, and whether a restore made it; the one above it is there.

    Locked within the block, so that no two restores write into one folder. When the block is left without ``finish``,
    what is complete gets its name and the rest is removed; after ``Failed`` all that has no name is removed.

    Raises ``WrongUse`` where it cannot be a target, ``Busy``, and ``Failed``.
    """
    shown = show_text(str(path))
    root, is_new = _open_root(path, effects)
    try:
        was_made = is_new or is_ours(effects.fstat(root.fd))
        try:
            own = Staging(root, shown)
        except OSError as error:
            raise WrongUse(
                f"{shown} cannot be written to ({error.strerror or error}): give another folder with --into, or run as"
                " a user that may write there."
            ) from error
        try:
            try:
                can = probe(own.fd, effects, as_root=os.geteuid() == 0, file_system=mount_of(path).file_system)
            except OSError as error:
                raise failed(error) from error
            target = Target(
                root, buffers, own, can, is_ours=was_made, should_stop=should_stop, progress=progress, cold=cold
            )
            with _ending(target):
                yield target, was_made
        finally:
            own.close()
    except BaseException:
        if is_new:
            with suppress(OSError):
                effects.rmdir(os.path.realpath(path))  # where nothing came into it
        raise
    finally:
        root.close()


@contextmanager
def _ending(target: Target) -> Iterator[None]:
    try:
        yield
    except Failed:
        with suppress(Failed):
            target.withdraw()
        raise
    except BaseException:
        with suppress(Failed):
            target.settle()
        raise
    target.settle()


def _open_root(path: Path, effects: Effects) -> tuple[Root, bool]:
    """The target, and whether it was made now."""
    shown, is_new = show_text(str(path)), False
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        try:
            fd = effects.open(os.path.realpath(path), flags)
        except FileNotFoundError:
            effects.mkdir(path, OURS_MODE)
            is_new = True
            fd = effects.open(os.path.realpath(path), flags)
    except FileNotFoundError as error:
        raise WrongUse(
            f"{shown} cannot be made, since the folder above it does not exist: make that one, or give another folder"
            " with --into."
        ) from error
    except NotADirectoryError as error:
        raise WrongUse(f"{shown} is not a folder: give one with --into.") from error
    except OSError as error:
        raise WrongUse(f"{shown} cannot be opened or made ({error.strerror}): give another folder.") from error
    return Root(fd, effects), is_new
