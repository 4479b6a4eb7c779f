"""The trial's own comparison sees each kind of difference, so that its claims can fail."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from nightferry.trial.compare import count, differences, files, intact, tree

KYRIE = "concert/01 kyrie.wav"


@pytest.fixture
def twins(tmp_path: Path) -> tuple[Path, Path]:
    for root in (tmp_path / "a", tmp_path / "b"):
        (root / "concert").mkdir(parents=True)
        (root / KYRIE).write_bytes(b"la" * 1000)
        (root / "link").symlink_to("nowhere")
        (root / ".nightferry-volume.toml").write_text(f"card of {root}")
        for path in (root / KYRIE, root / "link", root / "concert"):
            os.utime(path, ns=(7, 7), follow_symlinks=False)
    return tmp_path / "a", tmp_path / "b"


def found(twins: tuple[Path, Path]) -> list[bytes]:
    a, b = (tree(bytes(root)) for root in twins)
    return differences(a, b)


def test_twins_differ_only_in_their_cards(twins: tuple[Path, Path]) -> None:
    assert found(twins) == []
    assert (count(tree(bytes(twins[0]))).files, count(tree(bytes(twins[0]))).size_bytes) == (2, 2000 + len("nowhere"))


def _same_size_and_date(root: Path) -> None:
    (root / KYRIE).write_bytes(b"la" * 999 + b"lo")
    os.utime(root / KYRIE, ns=(7, 7))


def _another_target(root: Path) -> None:
    (root / "link").unlink()
    (root / "link").symlink_to("anywhere")


CHANGES: dict[str, tuple[Callable[[Path], object], bytes]] = {
    "content": (_same_size_and_date, KYRIE.encode()),
    "target": (_another_target, b"link"),
    "mode": (lambda root: (root / KYRIE).chmod(0o600), KYRIE.encode()),
    "one nanosecond": (lambda root: os.utime(root / "concert", ns=(7, 8)), b"concert"),
    "new": (lambda root: (root / "new\nname").touch(), b"new\nname"),
    "gone": (lambda root: (root / "link").unlink(), b"link"),
    "kind": (lambda root: ((root / "link").unlink(), (root / "link").mkdir()), b"link"),
    "FIFO": (lambda root: ((root / "link").unlink(), os.mkfifo(root / "link")), b"link"),
}


@pytest.mark.parametrize("name", CHANGES)
def test_each_difference_is_named(name: str, twins: tuple[Path, Path]) -> None:
    change, path = CHANGES[name]
    for changed in (0, 1):
        if changed:
            _restore(twins)
        change(twins[changed])
        assert path in found(twins)


def _restore(twins: tuple[Path, Path]) -> None:
    """The first as the second is, so that the change can be made on the other side."""
    import shutil

    shutil.rmtree(twins[0])
    shutil.copytree(twins[1], twins[0], symlinks=True)


def test_intact_counts_content_whatever_its_date(twins: tuple[Path, Path]) -> None:
    os.utime(twins[1] / KYRIE, ns=(1, 1))
    a, b = (tree(bytes(root)) for root in twins)
    assert intact(a, b) == len(files(a)) == 2
    _same_size_and_date(twins[1])
    assert intact(a, tree(bytes(twins[1]))) == 1


def test_looking_leaves_no_trace(twins: tuple[Path, Path]) -> None:
    os.utime(twins[0] / KYRIE, ns=(1_000, 2_000_000_000_000_000_000))  # relatime would move this access time
    tree(bytes(twins[0]))
    assert (twins[0] / KYRIE).stat().st_atime_ns == 1_000
