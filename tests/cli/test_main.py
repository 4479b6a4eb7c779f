"""The command line as a whole: help, errors, exit codes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import nightferry
from box import CONCERT, Box, clean_environment
from nightferry.cli.main import COMMANDS, main
from nightferry.errors import Busy, Failed, WrongDrive, WrongUse
from nightferry.reporting.look import exits

SLOW = ("pydantic", "pydantic_settings", "rich", "sqlite3", "structlog", "xxhash", "pathspec")


@pytest.mark.parametrize("arguments", [[], ["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_imports_nothing_slow(arguments: list[str]) -> None:
    program = (
        "import sys\nfrom nightferry.cli.main import main\ncode = main(sys.argv[1:])\n"
        f"print('LOADED', [name for name in {SLOW!r} if name in sys.modules])\nsys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], capture_output=True, text=True, timeout=60,
        env=clean_environment(), check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "LOADED []" in done.stdout, done.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_each_help_has_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([command, "--help"]) == 0
    shown = capsys.readouterr().out
    assert "example:\n" in shown
    assert f"nightferry {command}" in shown.split("example:\n")[1]


def test_main_help_says_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    for code, meaning in exits.TABLE:
        assert f"  {code}  {meaning}\n" in shown
    assert [code for code, _ in exits.TABLE] == [0, 1, 2, 3, 4, 5]


def test_every_command_of_the_design_is_offered_and_no_other(capsys: pytest.CaptureFixture[str]) -> None:
    promised = {
        "trial", "preflight", "pair", "tonight", "run", "lastnight", "verify", "mend", "rehearse", "restore", "history",
        "release", "status", "plan", "daemon",
    }  # fmt: skip
    assert set(COMMANDS) == promised
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    assert all(f"\n    {command} " in shown for command in promised), shown
    assert main(["mirror"]) == 2
    assert "mirror" in capsys.readouterr().err


def test_no_command_and_no_configuration_says_how_to_begin(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("NIGHTFERRY_CONFIG", str(tmp_path / "none.toml"))
    assert main([]) == 0
    shown = capsys.readouterr().out
    for step in ("nightferry trial", "config.example.toml", "nightferry pair", "nightferry run", "nightferry status"):
        assert step in shown


def test_no_command_leads_from_the_configuration_to_the_morning(box: Box) -> None:
    box.fill()
    shown = box.ok(code=4)
    assert "nightferry pair recordings " in shown and "No night has run here yet" in shown
    box.ok("pair", "--yes", "recordings")
    shown = box.ok(code=4)
    assert "nightferry tonight recordings " in shown and "nightferry run --without-window recordings " in shown
    box.ok("run")
    shown = box.ok()
    assert shown.startswith("recordings: sound\nEverything is on the secondary as of ")
    assert "nightferry lastnight recordings " in shown
    for path in (box.primary() / CONCERT).iterdir():
        path.unlink()
    box.ok("run", code=1)
    shown = box.ok(code=1)
    assert "Held" in shown and "nightferry release recordings " in shown
    box.secondary().rename(box.root / "unplugged")
    assert box.run("run").returncode == 3
    shown = box.ok(code=3)
    assert "nightferry preflight recordings " in shown


def test_no_command_with_a_wrong_configuration_says_what_is_wrong_with_it(box: Box) -> None:
    box.config.write_text('[[pair]]\nname = "recordings"\ncolour = "red"\n')
    done = box.run()
    assert done.returncode == 2 and "colour" in done.stderr and "nightferry preflight" in done.stderr


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"nightferry {nightferry.__version__}\n"


def test_the_installed_command_is_the_module() -> None:
    script = Path(sys.executable).with_name("nightferry")
    if not script.exists():
        pytest.skip("not installed as a command beside this Python")
    done = subprocess.run([script, "--version"], capture_output=True, text=True, timeout=60, check=False)
    assert done.stdout == f"nightferry {nightferry.__version__}\n"


@pytest.mark.parametrize(
    "arguments",
    [["run", "--no-such-option"], ["no-such-command"], ["pair"], ["release"], ["release", "a", "b"], ["run", "--js"],
     ["--print-manual", "run"]],
)  # fmt: skip
def test_a_wrong_command_line_is_2(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(arguments) == 2
    assert "usage: nightferry" in capsys.readouterr().err


def test_a_wrong_option_is_told_in_the_words_of_its_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", "--no-such-option"]) == 2
    assert "`nightferry run --help` explains" in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("command", [["run"], ["tonight"], ["lastnight"], ["status"], ["release", "x"], ["pair", "x"]])
def test_a_missing_configuration_is_2_and_says_so(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["--config", str(tmp_path / "none.toml"), *command]) == 2
    error = capsys.readouterr().err
    assert error.startswith("nightferry: ") and "none.toml" in error and error.count("\n") == 1


def test_every_problem_of_a_configuration_has_its_line(box: Box) -> None:
    box.config.write_text('[[pair]]\nname = "recordings"\nprimary = "srv"\ncolour = "red"\n')
    done = box.run("status")
    assert done.returncode == 2
    lines = done.stderr.splitlines()
    assert len(lines) >= 3 and all(line.startswith("nightferry: ") for line in lines)


def test_an_unknown_pair_is_2_and_names_the_known(box: Box, capsys: pytest.CaptureFixture[str]) -> None:
    for command in ("run", "tonight", "lastnight", "status", "release", "pair"):
        assert main(["--config", str(box.config), command, "recordnigs"]) == 2
        assert 'did you mean "recordings"' in capsys.readouterr().err


@pytest.mark.parametrize("kind", [WrongUse, WrongDrive, Failed, Busy])
def test_an_error_is_one_sentence_with_its_code(
    kind: type[Exception], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(args: object) -> int:
        raise kind("The drive \x1b[31mis red.")

    monkeypatch.setattr(COMMANDS["status"], "main", fail)
    assert main(["status"]) == kind.exit_code  # type: ignore[attr-defined]
    assert capsys.readouterr().err == "nightferry: The drive \\x1b[31mis red.\n"


def test_a_fault_asks_to_report_it(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def fail(args: object) -> int:
        raise RuntimeError("seven \x1b[31m cellos")

    monkeypatch.setattr(COMMANDS["status"], "main", fail)
    monkeypatch.delenv("NIGHTFERRY_DEBUG", raising=False)
    assert main(["status"]) == 4
    error = capsys.readouterr().err
    assert error.count("\n") == 1 and "report" in error and r"RuntimeError: seven \x1b[31m cellos" in error
    monkeypatch.setenv("NIGHTFERRY_DEBUG", "1")
    assert main(["status"]) == 4
    error = capsys.readouterr().err
    assert "Traceback" in error and "in fail" in error and "\x1b" not in error


def test_ctrl_c_is_quiet(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def stop(args: object) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(COMMANDS["status"], "main", stop)
    assert main(["status"]) == 130
    assert capsys.readouterr() == ("", "")


def test_a_closed_pipe_is_quiet(paired: Box) -> None:
    paired.fill(files=2000, size_bytes=1)
    paired.ok("run")
    for arguments in (("lastnight", "--all"), ("lastnight", "--all", "--json")):
        reader, writer = os.pipe()
        process = subprocess.Popen(
            paired.command(*arguments), stdout=writer, stderr=subprocess.PIPE, env=clean_environment()
        )
        os.close(writer)
        os.close(reader)
        _, error = process.communicate(timeout=60)
        assert (process.returncode, error) == (141, b"")


def test_the_environment_names_the_configuration(box: Box) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "nightferry", "status", "--json"], capture_output=True, text=True, timeout=60,
        env={**clean_environment(), "NIGHTFERRY_CONFIG": str(box.config)}, check=False,
    )  # fmt: skip
    assert done.returncode == 4 and '"pair": "recordings"' in done.stdout


def test_the_worst_code_counts() -> None:
    assert exits.worst([]) == 0
    assert exits.worst([0, 1, 0]) == 1
    assert exits.worst([1, 5]) == 5
    assert exits.worst([5, 3, 1]) == 3
    assert exits.worst([3, 4, 0]) == 4
    assert exits.worst([4, 2, 3]) == 2


def test_a_locale_without_the_letters_shows_them_escaped(paired: Box) -> None:
    (paired.primary() / "Händel ♫.wav").write_bytes(b"x")
    done = paired.run("tonight", "--all", env={"LC_ALL": "C", "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})
    assert done.returncode == 0, done.stderr
    assert r"H\xe4ndel \u266b.wav" in done.stdout


@pytest.mark.parametrize("columns", [60, 80, 160])
def test_help_fits_the_terminal(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    for command in ((), ("lastnight",), ("history",), ("restore",)):
        assert main([*command, "--help"]) == 0
        lines = capsys.readouterr().out.splitlines()
        # Examples are to be copied and stay whole.
        assert not [line for line in lines if len(line) > columns and not line.startswith("  nightferry")]
