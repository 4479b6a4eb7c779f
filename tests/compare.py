"""Two trees compared by ordinary tools (diff, find, getfattr, getfacl), none of it through the package under test.

``differences`` gives one line for each difference, nothing where the trees are equal. Every record is separated by
NUL or escaped by the tool that writes it, so that any name can be compared. Paths beyond PATH_MAX are not for it:
diff and getfattr open whole paths.
"""

from __future__ import annotations

import os
import subprocess
from collections import defaultdict
from collections.abc import Collection, Iterable
from pathlib import Path

_LIMIT_S = 600
_MOST_LINES = 100
_SPECIAL = "pscb"  # find's letters for FIFO, socket, character and block device
_DIFF_NAMES = {"p": b"fifo", "s": b"socket", "c": b"character special file", "b": b"block special file"}


def _output(command: list[str | bytes], *, cwd: Path, given: bytes = b"", fine: Collection[int] = (0,)) -> bytes:
    environment = {**os.environ, "LC_ALL": "C"}
    done = subprocess.run(
        command, input=given, capture_output=True, cwd=cwd, timeout=_LIMIT_S, env=environment, check=False
    )
    if done.returncode not in fine:
        raise RuntimeError(f"{command[0]!r} in {cwd}: {done.returncode}: {done.stderr.decode(errors='replace')[:2000]}")
    return done.stdout


def _top(root: Path, exclude: Collection[str]) -> list[bytes]:
    left_out = {os.fsencode(name) for name in exclude}
    return sorted(name for name in os.listdir(os.fsencode(root)) if name not in left_out)


def _records(root: Path, tops: list[bytes]) -> dict[bytes, dict[str, bytes]]:
    """What ``find -printf`` says of every entry: path -> field -> value."""
    fields = {"type": "%y", "mode": "%m", "uid": "%U", "gid": "%G", "size": "%s", "mtime": "%T@", "target": "%l"}
    fields |= {"links": "%n", "inode": "%D:%i"}
    if not tops:
        return {}
    starts = b"".join(b"./" + top + b"\0" for top in tops)
    form = "%p\\0" + "".join(letter + "\\0" for letter in fields.values())
    parts = _output(["find", "-P", "-files0-from", "-", "-printf", form], cwd=root, given=starts).split(b"\0")[:-1]
    width = len(fields) + 1
    assert len(parts) % width == 0, "find wrote half a record"
    return {
        parts[n].removeprefix(b"./"): dict(zip(fields, parts[n + 1 : n + width], strict=True))
        for n in range(0, len(parts), width)
    }


def _content(
    left: Path, right: Path, tops: Iterable[bytes], special: dict[bytes, str], *, special_counts: bool
) -> list[str]:
    """What ``diff`` says, one call for each name at the top so that exclusion is exact."""
    found = []
    for top in tops:
        a, b = os.fsencode(left) + b"/" + top, os.fsencode(right) + b"/" + top
        said = _output([b"diff", b"-r", b"-q", b"--no-dereference", b"--", a, b], cwd=left, fine=(0, 1, 2))
        # Names stand raw in these lines, also with newlines: what is to be left out is cut out whole. diff calls two
        # FIFOs or sockets different always; find has compared their types.
        for path, letter in special.items():
            if not path.startswith(top):
                continue
            for root in () if special_counts else (left, right):
                folder, name = os.path.split(os.fsencode(root) + b"/" + path)
                said = said.replace(b"Only in " + folder + b": " + name + b"\n", b"")
            kind, x, y = _DIFF_NAMES[letter], os.fsencode(left) + b"/" + path, os.fsencode(right) + b"/" + path
            said = said.replace(b"File " + x + b" is a " + kind + b" while file " + y + b" is a " + kind + b"\n", b"")
        if said:
            found.append(f"diff: {said!r}")
    return found


def _dump(root: Path, paths: Iterable[bytes], tool: list[str | bytes]) -> dict[bytes, list[bytes]]:
    """The paragraphs of getfattr or getfacl: escaped path -> sorted lines without comments (owner, group, flags)."""
    given = b"".join(b"./" + path + b"\0" for path in paths)
    result = {}
    for paragraph in _output(["xargs", "-0", "-r", *tool, "--"], cwd=root, given=given).split(b"\n\n"):
        lines = paragraph.strip(b"\n").split(b"\n")
        if not lines[0]:
            continue
        assert lines[0].startswith(b"# file: "), lines[0]
        result[lines[0].removeprefix(b"# file: ")] = sorted(line for line in lines[1:] if not line.startswith(b"#"))
    return result


def _link_groups(records: dict[bytes, dict[str, bytes]]) -> set[frozenset[bytes]]:
    """The sets of names that share an inode."""
    by_inode: dict[bytes, set[bytes]] = defaultdict(set)
    for path, record in records.items():
        if record["type"] != b"d":
            by_inode[record["inode"]].add(path)
    return {frozenset(paths) for paths in by_inode.values() if len(paths) > 1}


def differences(
    left: Path,
    right: Path,
    *,
    owners: bool = True,
    modes: bool = True,
    times: bool = True,
    xattrs: bool = True,
    acls: bool = True,
    links: bool = True,
    special: bool = True,
    exclude: Collection[str] = (),
) -> list[str]:
    """Everything in which two trees differ; the roots themselves are not compared, nor access times and blocks used.

    Args:
        owners, modes, times, xattrs, acls: whether these count. Times are mtimes in nanoseconds, of symlinks too.
        links: whether it counts which names share an inode, and how many names an inode has.
        special: False leaves sockets, FIFOs and devices out on both sides.
        exclude: names at the top level, on both sides, that are left out.

    Returns:
        One line for each difference, at most 100 and one that tells how many more.
    """
    tops = {left: _top(left, exclude), right: _top(right, exclude)}
    records = {root: _records(root, tops[root]) for root in (left, right)}
    specials = {
        path: letter
        for side in records.values()
        for path, record in side.items()
        if (letter := record["type"].decode()) in _SPECIAL
    }
    if not special:
        records = {
            root: {path: record for path, record in side.items() if record["type"].decode() not in _SPECIAL}
            for root, side in records.items()
        }
    a, b = records[left], records[right]
    found = [f"only in {left}: {path!r}" for path in sorted(a.keys() - b.keys())]
    found += [f"only in {right}: {path!r}" for path in sorted(b.keys() - a.keys())]
    both = sorted(a.keys() & b.keys())

    fields = ["type", "target"]
    fields += ["mode"] * modes + ["uid", "gid"] * owners + ["mtime"] * times
    for path in both:
        is_folder = a[path]["type"] == b"d"
        counted = fields + ([] if is_folder else ["size"] + ["links"] * links)
        if not modes and a[path]["type"] == b"l":
            counted = [field for field in counted if field != "mode"]
        found += [
            f"{path!r}: {field} {a[path][field]!r} is {b[path][field]!r}"
            for field in counted
            if a[path][field] != b[path][field]
        ]

    in_both = [top for top in tops[left] if top in set(tops[right])]
    found += _content(left, right, in_both, specials, special_counts=special)

    if links:
        groups = _link_groups(a), _link_groups(b)
        found += [f"linked in {left} only: {sorted(group)!r}" for group in groups[0] - groups[1]]
        found += [f"linked in {right} only: {sorted(group)!r}" for group in groups[1] - groups[0]]
    if xattrs:
        found += _compared("xattrs", [_xattrs(root, both, acls=acls) for root in (left, right)])
    if acls:
        plain = [path for path in both if a[path]["type"] != b"l" and b[path]["type"] != b"l"]
        tool: list[str | bytes] = ["getfacl", "--numeric", "--absolute-names"]
        found += _compared("acl", [_dump(root, plain, tool) for root in (left, right)])

    if len(found) > _MOST_LINES:
        found = [*found[:_MOST_LINES], f"and {len(found) - _MOST_LINES} more"]
    return found


def _xattrs(root: Path, paths: list[bytes], *, acls: bool) -> dict[bytes, list[bytes]]:
    tool: list[str | bytes] = ["getfattr", "-h", "-d", "-m", "-", "-e", "hex", "--absolute-names"]
    dump = _dump(root, paths, tool)
    # XFS shows root its own form of the ACLs a second time, under this name
    left_out = (b"trusted.SGI_ACL_",) if acls else (b"trusted.SGI_ACL_", b"system.posix_acl_")
    for path, lines in list(dump.items()):
        dump[path] = [line for line in lines if not line.startswith(left_out)]
    return {path: lines for path, lines in dump.items() if lines}


def _compared(what: str, sides: list[dict[bytes, list[bytes]]]) -> list[str]:
    a, b = sides
    return [
        f"{path!r}: {what} {a.get(path, [])!r} is {b.get(path, [])!r}"
        for path in sorted(a.keys() | b.keys())
        if a.get(path) != b.get(path)
    ]


def access_times(root: Path) -> dict[bytes, int]:
    """The access time of every entry in nanoseconds, path -> time; reading them changes none (O_NOATIME)."""
    found: dict[bytes, int] = {}
    waiting = [b""]
    flags = os.O_RDONLY | os.O_DIRECTORY | os.O_NOATIME | os.O_NOFOLLOW
    while waiting:
        folder = waiting.pop()
        fd = os.open(os.path.join(os.fsencode(root), folder), flags)
        try:
            found[folder] = os.fstat(fd).st_atime_ns
            for name in map(os.fsencode, os.listdir(fd)):
                state = os.stat(name, dir_fd=fd, follow_symlinks=False)
                if state.st_mode & 0o170000 == 0o040000:
                    waiting.append(os.path.join(folder, name))
                else:
                    found[os.path.join(folder, name)] = state.st_atime_ns
        finally:
            os.close(fd)
    return found


def access_differences(before: dict[bytes, int], after: dict[bytes, int]) -> list[str]:
    """Entries of ``before`` that were accessed since. Only the mount option ``strictatime`` shows every access."""
    return [
        f"{path!r}: accessed at {after[path]} (before: {time})"
        for path, time in sorted(before.items())
        if path in after and after[path] != time
    ]
