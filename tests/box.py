"""A box with pairs of plain folders, and the command line run on it as a person runs it."""

from __future__ import annotations

import hashlib
import importlib
import io
import json
import os
import pkgutil
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

import nightferry
from nightferry.cli.main import main
from nightferry.reporting.page import page

# A command imports what it needs when it needs it, and a run does so in a child: here each child would do it again.
for _module in pkgutil.walk_packages(nightferry.__path__, "nightferry."):
    if not _module.name.endswith("__main__"):
        importlib.import_module(_module.name)
importlib.import_module("structlog")
for _template in (Path(page.__file__).parent / "templates").iterdir():
    page._environment().get_template(_template.name)

CONCERT = "2026-05 spring concert"
_LIMIT_S = 120


class Box:
    """Pairs below one folder. ``settings`` are TOML lines for all pairs."""

    def __init__(self, root: Path, pairs: tuple[str, ...] = ("recordings",), settings: str = "") -> None:
        self.root = root
        self.state = root / "state"
        self.config = root / "nightferry.toml"
        self.configure(pairs, settings)

    def configure(self, pairs: tuple[str, ...], settings: str = "", per_pair: Mapping[str, str] | None = None) -> None:
        """Writes the configuration and makes the drives' folders where they are missing."""
        lines = [f"state_dir = {json.dumps(str(self.state))}", "[defaults]", "require_mount = false"]
        defaults = {"settle_quiet": '"0s"', "keep_free": '"0"'}
        for name, value in defaults.items():
            if name not in settings:
                lines.append(f"{name} = {value}")
        lines.append(settings)
        for pair in pairs:
            for folder in (self.primary(pair), self.secondary(pair)):
                folder.mkdir(parents=True, exist_ok=True)
            lines += [
                "[[pair]]",
                f'name = "{pair}"',
                f"primary = {json.dumps(str(self.primary(pair)))}",
                f"secondary = {json.dumps(str(self.secondary(pair)))}",
                (per_pair or {}).get(pair, ""),
            ]
        self.config.write_text("\n".join(lines) + "\n")

    def primary(self, pair: str = "recordings") -> Path:
        return self.root / f"{pair}-primary"

    def secondary(self, pair: str = "recordings") -> Path:
        return self.root / f"{pair}-secondary"

    def copy(self, pair: str = "recordings") -> Path:
        return self.secondary(pair) / "copy"

    def folder(self, pair: str = "recordings") -> Path:
        return self.state / pair

    def status(self, pair: str = "recordings") -> dict[str, Any]:
        found: dict[str, Any] = json.loads((self.folder(pair) / "status.json").read_text())
        return found

    def fill(self, pair: str = "recordings", files: int = 6, size_bytes: int = 3000) -> Path:
        """Some recordings; returns their folder."""
        concert = self.primary(pair) / CONCERT
        concert.mkdir(exist_ok=True)
        for number in range(1, files + 1):
            (concert / f"{number:02} kyrie.wav").write_bytes(os.urandom(size_bytes))
        return concert

    # --- the command line

    def command(self, *args: str) -> list[str]:
        return [sys.executable, "-m", "nightferry", "--config", str(self.config), *args]

    def run(
        self, *args: str, given: str | None = None, env: Mapping[str, str] | None = None, cwd: Path | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Runs a command without a terminal. Output is decoded so that every byte can be found again."""
        return subprocess.run(
            self.command(*args),
            input=given if given is not None else "",
            capture_output=True,
            encoding="utf-8",
            errors="surrogateescape",
            timeout=_LIMIT_S,
            env={**clean_environment(), **(env or {})},
            cwd=cwd,
            check=False,
        )

    def start(self, *args: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            self.command(*args),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            errors="surrogateescape",
            env=clean_environment(),
        )

    def ok(self, *args: str, code: int = 0) -> str:
        """Runs a command within this process, since that is faster; it has to end with ``code``. Its output."""
        out, error = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="") for _ in range(2))
        with redirect_stdout(out), redirect_stderr(error):
            given, sys.stdin = sys.stdin, io.StringIO()
            try:
                returned = main(["--config", str(self.config), *args])
            finally:
                sys.stdin = given
        shown = []
        for stream in (out, error):
            stream.flush()
            shown.append(stream.buffer.getvalue().decode("utf-8"))  # type: ignore[attr-defined]
        assert returned == code, (args, returned, *shown)
        return shown[0]

    def json(self, *args: str, code: int = 0) -> dict[str, Any]:
        """The document of a command with ``--json``."""
        found: dict[str, Any] = json.loads(self.ok(*args, "--json", code=code))
        assert found["exit_code"] == code
        return found


def clean_environment() -> dict[str, str]:
    """Without what another test or the machine says about nightferry, colours and widths."""
    drop = ("NIGHTFERRY_", "COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR", "PYTHON")
    return {key: value for key, value in os.environ.items() if not key.startswith(drop)} | {"TERM": "xterm-256color"}


def wait_for(what: Callable[[], bool], limit_s: float = 60.0) -> None:
    """Waits until something is so; fails where it does not come."""
    end_s = time.monotonic() + limit_s
    while not what():
        if time.monotonic() > end_s:
            pytest.fail("waited in vain")
        time.sleep(0.005)


def everything(*roots: Path, with_access: bool = False) -> dict[str, tuple[object, ...]]:
    """Every entry with all that stat(2) says of it and its content; reading moves no access time (O_NOATIME)."""
    found: dict[str, tuple[object, ...]] = {}
    for root in roots:
        paths = [root]
        while paths:
            path = paths.pop()
            state = os.lstat(path)
            says: list[object] = [
                state.st_mode, state.st_ino, state.st_nlink, state.st_uid, state.st_gid, state.st_size,
                state.st_mtime_ns, state.st_ctime_ns,
            ]  # fmt: skip
            if with_access:
                says.append(state.st_atime_ns)
            if path.is_symlink():
                says.append(os.readlink(path))
            elif path.is_dir():
                fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOATIME)
                try:
                    paths += [path / name for name in os.listdir(fd)]
                finally:
                    os.close(fd)
            elif path.is_file():
                fd = os.open(path, os.O_RDONLY | os.O_NOATIME)
                with os.fdopen(fd, "rb") as file:
                    says.append(hashlib.file_digest(file, "sha256").hexdigest())
            found[os.fspath(path)] = tuple(says)
    return found
