"""A machine that boots with a real systemd, from this one's own files: an overlay over ``/`` under systemd-nspawn.

Nothing is downloaded and nothing of this machine changes: what is written goes into a tmpfs, which goes with it.
Needs root, systemd-nspawn (Debian: systemd-container) and overlayfs.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[2]
_BOOT_LIMIT_S = 120


def why_not() -> str:
    """What is missing here to boot one; empty where nothing is."""
    if os.geteuid() != 0:
        return "needs root"
    missing = [tool for tool in ("systemd-nspawn", "nsenter") if shutil.which(tool) is None]
    if missing:
        return f"needs {', '.join(missing)} (Debian: systemd-container, util-linux)"
    system = subprocess.run(
        ["/usr/bin/python3", "-c", "import sys; print(*sys.version_info[:2])"],
        capture_output=True,
        text=True,
        check=False,
    )
    if system.stdout.split() != [str(each) for each in sys.version_info[:2]]:
        return "needs a system Python of the version that runs the tests, whose packages it uses"
    return ""


class Machine:
    """One machine. ``binds``: folders of this one, and where they are seen there."""

    def __init__(self, folder: Path, binds: Sequence[tuple[Path, str]] = ()) -> None:
        self.root = folder / "root"
        self._layers = folder / "layers"
        self._binds = binds
        self._nspawn: subprocess.Popen[bytes] | None = None
        self._leader = 0
        self._console = folder / "console.log"

    def build(self) -> None:
        """The file system, with nightferry installed where the README puts it."""
        self._layers.mkdir(parents=True)
        self.root.mkdir()
        _run("mount", "-t", "tmpfs", "-o", "mode=0755", "tmpfs", str(self._layers))
        for name in ("upper", "work"):
            (self._layers / name).mkdir()
        options = f"lowerdir=/,upperdir={self._layers}/upper,workdir={self._layers}/work"
        _run("mount", "-t", "overlay", "-o", options, "overlay", str(self.root))
        # An image without the state of this machine, and without what waits for hardware.
        for name in ("etc/machine-id", "etc/fstab"):
            (self.root / name).unlink(missing_ok=True)
        (self.root / "etc/machine-id").write_text("")
        (self.root / "etc/fstab").write_text("")
        for folder in (
            "var/lib/nightferry",
            "etc/systemd/system/multi-user.target.wants",
            "etc/systemd/system/sockets.target.wants",
            "etc/systemd/system/timers.target.wants",
        ):
            shutil.rmtree(self.root / folder, ignore_errors=True)
        default = self.root / "etc/systemd/system/default.target"
        default.unlink(missing_ok=True)
        default.symlink_to("/lib/systemd/system/multi-user.target")
        self._install()

    def _install(self) -> None:
        home = self.root / "opt/nightferry"
        shutil.rmtree(home, ignore_errors=True)
        _run("/usr/bin/python3", "-m", "venv", "--without-pip", "--symlinks", str(home))
        packages = home / f"lib/python{sys.version_info[0]}.{sys.version_info[1]}/site-packages"
        # The packages of the tests' own environment, and the program as it stands.
        ours = next(Path(each) for each in sys.path if each.endswith("site-packages"))
        shutil.copytree(ours, packages, dirs_exist_ok=True, symlinks=True, ignore=_NOT_NEEDED)
        for editable in packages.glob("*editable*nightferry*.pth"):
            editable.unlink()
        shutil.copytree(SOURCE / "src/nightferry", packages / "nightferry", dirs_exist_ok=True)
        command = self.root / "usr/local/bin/nightferry"
        command.parent.mkdir(parents=True, exist_ok=True)
        command.write_text(
            "#!/opt/nightferry/bin/python3\nimport sys\nfrom nightferry.cli.main import main\nsys.exit(main())\n"
        )
        command.chmod(0o755)
        for unit in (SOURCE / "systemd").glob("nightferry*"):
            shutil.copy(unit, self.root / "etc/systemd/system" / unit.name)

    def boot(self) -> None:
        command = [
            "systemd-nspawn",
            "-q",
            "-D",
            str(self.root),
            "--register=no",
            "--keep-unit",
            "-b",
            "--kill-signal=SIGRTMIN+3",
        ]
        for here, there in self._binds:
            (self.root / there.lstrip("/")).mkdir(parents=True, exist_ok=True)
            command.append(f"--bind={here}:{there}")
        with self._console.open("wb") as console:
            self._nspawn = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=console, stderr=console)
        self.wait_for(self._has_booted, _BOOT_LIMIT_S)

    def _has_booted(self) -> bool:
        assert self._nspawn is not None
        assert self._nspawn.poll() is None, self._console.read_text(errors="replace")
        children = Path(f"/proc/{self._nspawn.pid}/task/{self._nspawn.pid}/children").read_text().split()
        for child in children:
            with suppress(OSError):
                if Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                    self._leader = int(child)
                    done = self.do("systemctl", "is-system-running", check=False)
                    return done.stdout.strip() in ("running", "degraded")
        return False

    def do(self, *command: str, check: bool = True, given: str | None = None) -> subprocess.CompletedProcess[str]:
        """Runs a command in the machine."""
        inside = ["nsenter", "-t", str(self._leader), "-m", "-u", "-i", "-p", "-n", "-C", "-r", "-w", "--", *command]
        environment = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"}
        done = subprocess.run(
            inside, capture_output=True, text=True, input=given, timeout=120, env=environment, check=False
        )
        assert not check or done.returncode == 0, (command, done.returncode, done.stdout, done.stderr)
        return done

    def write(self, path: str, text: str) -> None:
        target = self.root / path.lstrip("/")
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text)

    def shows(self, name: str, *properties: str) -> dict[str, str]:
        """Properties of a unit."""
        told = self.do("systemctl", "show", name, "-p", ",".join(properties)).stdout
        return dict(line.split("=", 1) for line in told.splitlines() if "=" in line)

    def journal(self, unit: str) -> str:
        return self.do("journalctl", "-u", unit, "-o", "cat", "--no-pager", check=False).stdout

    def wait_for(self, what, limit_s: float = 60.0) -> None:
        end_s = time.monotonic() + limit_s
        while not what():
            if time.monotonic() > end_s:
                told = self.do("journalctl", "-o", "short", "--no-pager", "-n", "60", check=False).stdout
                raise AssertionError(f"waited in vain; the journal's end:\n{told}")
            time.sleep(0.1)

    def close(self) -> None:
        if self._nspawn is not None:
            if self._leader:
                with suppress(OSError):
                    os.kill(self._leader, signal.SIGRTMIN + 4)  # systemd: power off (systemd(1))
            try:
                self._nspawn.wait(20)
            except subprocess.TimeoutExpired:
                self._nspawn.kill()
                self._nspawn.wait(20)
        for path in (self.root, self._layers):
            if os.path.ismount(path):
                _run("umount", "--recursive", "--lazy", str(path))


_NOT_NEEDED = shutil.ignore_patterns(
    "mypy*", "ruff*", "scipy*", "numpy*", "__pycache__", "pip", "hypothesis*", "nightferry"
)


def _run(*command: str) -> None:
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, (command, done.stderr)
