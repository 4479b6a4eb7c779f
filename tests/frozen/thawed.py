"""A frozen pair (make_frozen.py), unpacked: both drives mounted, the state in place, its record at hand."""

from __future__ import annotations

import json
import lzma
import shutil
import tarfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from harness import OWN_NAMES, Pair, footprint
from restore_world import restored
from tree_record import record, sha256, unlike
from world import World

from drives import Drive, Kind
from nightferry.manifest.manifest import FILE_NAME
from nightferry.night.context import Clock

HERE = Path(__file__).parent
FORMATS = sorted(int(path.name.removeprefix("format_")) for path in HERE.glob("format_*"))
KINDS: tuple[Kind, ...] = ("ext4", "exfat")


class Thawed(World):
    """``number``: its format. ``account``: what ``nights.json`` says."""

    def __init__(self, number: int, base: Path, account: dict[str, Any], drives: tuple[Drive, Drive]) -> None:
        super().__init__(Pair(*drives, base / "state", paired=False), drives)
        self.number, self.base, self.account = number, base, account
        self.damaged: str = account["damaged"]
        # Not before the last night, and not before today.
        self.pair.clock.shift_s = max(0.0, account["nights"][-1]["now_s"] + 86_400 - Clock().now_s())

    def check_copy(self) -> None:
        """As the primary, as far as the file system can hold it."""
        if self.drives[1].kind == "ext4":
            assert self.pair.differences() == []
        else:
            assert files(self.pair.copy) == files(self.pair.primary)

    def footprint(self) -> list[object]:
        """Of both drives and the manifest. exFAT through FUSE gives an inode another number when it is met again."""
        return [footprint(self.pair.primary, self.manifest), files(self.pair.secondary)]

    @property
    def manifest(self) -> Path:
        return self.pair.state_dir / "recordings" / FILE_NAME

    def check_restores(self, *, alone: bool) -> None:
        """Each night as the record has it; where no place has a file's content any more, that is said of it."""
        for night in self.account["nights"]:
            number, gone = night["number"], set(self.account["gone"][str(night["number"])])
            into = self.base / "restored"
            result = restored(self.pair, into, as_of=str(number), alone=alone)
            assert {each.path.decode() for each in result.bad.kept} == gone, f"night {number}"
            assert result.not_restored == len(gone)
            wanted = {path: one for path, one in night["held"].items() if path not in gone}
            lines = unlike(wanted, record(into))
            assert not lines, f"night {number}: {lines[:20]}"
            shutil.rmtree(into)


@contextmanager
def thaw(number: int, kind: Kind, base: Path) -> Iterator[Thawed]:
    """The pair of this format, whose secondary has this file system."""
    frozen = HERE / f"format_{number}" / kind
    drives = tuple(
        Drive(of, base / f"{name}.img", base / name) for of, name in (("ext4", "primary"), (kind, "secondary"))
    )
    try:
        for drive in drives:
            drive.image.write_bytes(lzma.decompress((frozen / f"{drive.root.name}.img.xz").read_bytes()))
            drive.mount()
        with tarfile.open(frozen / "state.tar.xz") as archive:
            archive.extractall(base, filter="data")
        yield Thawed(number, base, json.loads((frozen / "nights.json").read_text()), drives)  # type: ignore[arg-type]
    finally:
        for drive in reversed(drives):
            drive.detach()


def files(root: Path) -> dict[str, str]:
    """Path and SHA-256 of each file."""
    tops = [path for path in root.iterdir() if path.name not in OWN_NAMES]
    found = [each for top in tops for each in ([top] if top.is_file() else top.rglob("*"))]
    return {str(each.relative_to(root)): sha256(each) for each in found if each.is_file() and not each.is_symlink()}
