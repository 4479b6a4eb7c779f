"""How a drive gets mounted when the box starts: its line in /etc/fstab, or its systemd mount unit.

Read as fstab(5) and systemd.mount(5) describe them. Read only: what is wrong is said, and a person changes it.
"""

from __future__ import annotations

import configparser
import re
from dataclasses import dataclass
from pathlib import Path

FSTAB = Path("/etc/fstab")
UNITS = Path("/etc/systemd/system")

_LIMIT_BYTES = 1 << 20
_OCTAL = re.compile(rb"\\([0-3][0-7]{2})")
# Names that stay with a file system, a partition or a drive, whatever the order in which the kernel finds them.
_STEADY_TAGS = (b"UUID=", b"PARTUUID=", b"LABEL=", b"PARTLABEL=", b"ID=")
_STEADY_FOLDERS = (b"/dev/disk/by-", b"/dev/mapper/")
# Volume groups and arrays are found by what stands on them; sd, nvme, mmcblk and their kind are numbered as they come.
_NUMBERED = re.compile(rb"/dev/(?:sd[a-z]+|hd[a-z]+|vd[a-z]+|nvme\d+n\d+|mmcblk\d+|loop\d+)(?:p?\d+)?\Z")


@dataclass(frozen=True)
class MountEntry:
    """``needed_to_start``: the box does not start up without this drive."""

    source: bytes
    mount_point: bytes
    options: frozenset[str]
    file: Path
    needed_to_start: bool

    @property
    def by_steady_name(self) -> bool:
        """Whether the name means the same drive after the next start, and after another drive was plugged in."""
        source = self.source.strip(b'"')
        return source.upper().startswith(_STEADY_TAGS) or source.startswith(_STEADY_FOLDERS)

    @property
    def by_numbered_name(self) -> bool:
        """Whether it is one of the names that the kernel gives by the order in which it finds drives."""
        return _NUMBERED.match(self.source) is not None

    @property
    def mounted_at_start(self) -> bool:
        return "noauto" not in self.options or "x-systemd.automount" in self.options


def parse(text: bytes, file: Path = FSTAB) -> list[MountEntry]:
    """The lines of an fstab; those that cannot be understood are left out, as mount(8) leaves them out."""
    found = []
    for line in text.splitlines():
        fields = line.split()
        if len(fields) < 2 or fields[0].startswith(b"#"):
            continue
        options = frozenset(_unescape(fields[3]).decode("utf-8", "backslashreplace").split(",")) if fields[3:] else None
        options = options or frozenset({"defaults"})
        found.append(
            MountEntry(
                _unescape(fields[0]), _unescape(fields[1]).rstrip(b"/") or b"/", options, file,
                needed_to_start=not options & {"nofail", "noauto"},
            )
        )  # fmt: skip
    return found


def find(mount_point: bytes, fstab: Path = FSTAB, units: Path = UNITS) -> MountEntry | None:
    """What mounts something at this real path when the box starts; the last such line of the fstab counts.

    Raises ``OSError`` where the fstab is there and cannot be read.
    """
    try:
        with fstab.open("rb") as file:
            lines = parse(file.read(_LIMIT_BYTES), fstab)
    except FileNotFoundError:
        lines = []
    wanted = mount_point.rstrip(b"/") or b"/"
    entry = next((each for each in reversed(lines) if each.mount_point == wanted), None)
    return entry or _from_unit(wanted, units)


def unit_name(mount_point: bytes) -> str:
    """The name of a mount unit, escaped as systemd.unit(5) has it: ``/srv/recordings`` is ``srv-recordings.mount``."""
    path = mount_point.strip(b"/")
    if not path:
        return "-.mount"
    written = []
    for position, byte in enumerate(path):
        character = chr(byte)
        if character == "/":
            written.append("-")
        elif character.isascii() and (character.isalnum() or character in ":_" or (character == "." and position)):
            written.append(character)
        else:
            written.append(f"\\x{byte:02x}")
    return "".join(written) + ".mount"


def _from_unit(mount_point: bytes, units: Path) -> MountEntry | None:
    """A unit that somebody wrote for this mount point. It is needed to start where local-fs.target requires it."""
    name = unit_name(mount_point)
    path = units / name
    try:
        with path.open(encoding="utf-8", errors="surrogateescape") as file:
            text = file.read(_LIMIT_BYTES)
        unit = configparser.ConfigParser(interpolation=None, strict=False, comment_prefixes=("#", ";"))
        unit.read_string(text)
        source = unit.get("Mount", "What")
    except (OSError, configparser.Error, ValueError):
        return None
    wanted_at_start = any(
        (units / folder / unit_file).is_symlink()
        for folder in ("local-fs.target.requires", "local-fs.target.wants", "multi-user.target.wants")
        for unit_file in (name, name.removesuffix(".mount") + ".automount")
    )
    options = frozenset(unit.get("Mount", "Options", fallback="defaults").split(","))
    return MountEntry(
        source.encode("utf-8", "surrogateescape"), mount_point,
        options if wanted_at_start else options | {"noauto"}, path,
        needed_to_start=(units / "local-fs.target.requires" / name).is_symlink(),
    )  # fmt: skip


def _unescape(field: bytes) -> bytes:
    return _OCTAL.sub(lambda found: bytes((int(found[1], 8),)), field)
