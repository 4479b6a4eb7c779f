"""source.py: the environment above the file, and which file."""

from datetime import time, timedelta
from pathlib import Path

import pytest

from nightferry.errors import WrongUse
from nightferry.settings import load, source
from nightferry.settings.source import read_environment

TWO = """
state_dir = "/srv/state"
[defaults]
keep_free = "1GiB"
start = "01:00"
[[pair]]
name = "choir.recordings"
primary = "/srv/recordings"
secondary = "/srv/second"
[[pair]]
name = "recordings-away"
primary = "/srv/recordings"
secondary = "/srv/away"
keep_free = "2GiB"
"""


def test_without_variables_the_pair_goes_above_the_defaults(write) -> None:
    first, second = load(write(TWO)).pair
    assert (first.keep_free, second.keep_free) == (2**30, 2**31)
    assert first.start == second.start == time(1)


def test_variables_go_above_the_file(write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTFERRY_STATE_DIR", "/srv/elsewhere")
    monkeypatch.setenv("NIGHTFERRY_DEFAULTS__KEEP_FREE", "5GiB")
    monkeypatch.setenv("NIGHTFERRY_DEFAULTS__EXCLUDE", '["*.tmp", "#x"]')
    monkeypatch.setenv("NIGHTFERRY_PAIR__CHOIR_RECORDINGS__START", "04:00")
    monkeypatch.setenv("NIGHTFERRY_PAIR__recordings_AWAY__require_mount", "false")
    monkeypatch.setenv("NIGHTFERRY_PAIR__RECORDINGS_AWAY__MAY_BE_ABSENT", "14d")
    monkeypatch.setenv("NIGHTFERRY_PAIR__RECORDINGS_AWAY__HOLD_COUNT", "5")
    settings = load(write(TWO))
    first, second = settings.pair
    assert settings.state_dir == Path("/srv/elsewhere")
    assert (first.keep_free, second.keep_free) == (5 * 2**30, 2**31)
    assert (first.start, second.start) == (time(4), time(1))
    assert first.exclude == second.exclude == ("*.tmp", "#x")
    assert (first.require_mount, second.require_mount) == (True, False)
    assert second.may_be_absent == timedelta(days=14)
    assert second.hold_count == 5


def test_a_variable_can_give_what_the_file_lacks(write, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write('[[pair]]\nname = "recordings"\nprimary = "/srv/recordings"\n')
    monkeypatch.setenv("NIGHTFERRY_PAIR__RECORDINGS__SECONDARY", "/srv/second")
    assert load(path).pair[0].secondary == Path("/srv/second")


def test_a_path_in_a_variable_may_hold_any_bytes(write, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTFERRY_STATE_DIR", "/srv/\udcff")  # as Python shows the byte 0xff (PEP 383)
    assert bytes(load(write(TWO)).state_dir) == b"/srv/\xff"


@pytest.mark.parametrize(
    ("variable", "value", "sentence"),
    [
        ("NIGHTFERRY_STAET_DIR", "/x", "NIGHTFERRY_STAET_DIR: is not known"),
        ("NIGHTFERRY_", "/x", "NIGHTFERRY_: is not known"),
        ("NIGHTFERRY_PAIR", "[]", "NIGHTFERRY_PAIR: is not known"),
        ("NIGHTFERRY_PAIR__X", "1", "NIGHTFERRY_PAIR__X: is not known"),
        ("NIGHTFERRY_DEFAULTS", "{}", "NIGHTFERRY_DEFAULTS: is not known"),
        ("NIGHTFERRY_STATE_DIR__X", "/x", "NIGHTFERRY_STATE_DIR__X: is not known"),
        ("NIGHTFERRY_STATE_DIR", "", 'NIGHTFERRY_STATE_DIR: "" is not an absolute path'),
        ("NIGHTFERRY_STATE_DIR", "/srv/second/s", "NIGHTFERRY_STATE_DIR: .* lies on the secondary"),
        ("NIGHTFERRY_DEFAULTS__PRIMARY", "/x", 'there is no setting "PRIMARY"'),
        ("NIGHTFERRY_DEFAULTS__KEEP_FRE", "1", r'"KEEP_FRE" \(did you mean "keep_free"\?\)'),
        (
            "NIGHTFERRY_DEFAULTS__KEEP_FREE",
            "1",
            r'NIGHTFERRY_DEFAULTS__KEEP_FREE \(\[defaults\]: keep_free\): "1" is not',
        ),
        ("NIGHTFERRY_DEFAULTS__EXCLUDE", "*.tmp", r'EXCLUDE .*"\*\.tmp" is not a list of patterns'),
        ("NIGHTFERRY_DEFAULTS__EXCLUDE", "[" * 5000, "is not a list of patterns"),
        ("NIGHTFERRY_DEFAULTS__REQUIRE_MOUNT", "1", '"1" is not a yes or no'),
        ("NIGHTFERRY_PAIR__ALTOS__START", "01:00", 'no pair "ALTOS"; .* "CHOIR_RECORDINGS", "RECORDINGS_AWAY"'),
        ("NIGHTFERRY_PAIR__RECORDINGS_AWAY__NAME", "x", 'there is no setting "NAME"'),
        (
            "NIGHTFERRY_PAIR__RECORDINGS_AWAY__START",
            "late",
            r'__START \(pair "recordings-away": start\): "late" is not a time of day',
        ),
    ],
)
def test_wrong_variables_are_named(
    write, monkeypatch: pytest.MonkeyPatch, variable: str, value: str, sentence: str
) -> None:
    monkeypatch.setenv(variable, value)
    with pytest.raises(WrongUse, match=f"^environment variable .*{sentence}") as refused:
        load(write(TWO))
    assert len(str(refused.value).splitlines()) == 1


def test_two_variables_for_one_setting() -> None:
    variables = {"NIGHTFERRY_PAIR__a__START": "01:00", "NIGHTFERRY_PAIR__A__START": "02:00"}
    (problem,) = read_environment(variables, ["a"]).problems
    assert problem.endswith("NIGHTFERRY_PAIR__a__START: sets what NIGHTFERRY_PAIR__A__START sets already; "
                            "allowed: one of the two")  # fmt: skip


def test_a_variable_that_fits_two_pairs() -> None:
    (problem,) = read_environment({"NIGHTFERRY_PAIR__A_B__START": "01:00"}, ["a-b", "a.b"]).problems
    assert 'could mean the pairs "a-b" and "a.b"' in problem


def test_a_name_in_the_file_that_is_no_name_is_shown_safely() -> None:
    (problem,) = read_environment({"NIGHTFERRY_PAIR__X__START": "01:00"}, ["\x1b[2J" + "y" * 1000]).problems
    assert r'are: "\x1b[2JYYY' in problem
    assert len(problem) < 400


def test_names_with_double_and_final_underscores() -> None:
    variables = {"NIGHTFERRY_PAIR__A__B__START": "01:00", "NIGHTFERRY_PAIR__C___START": "02:00"}
    found = read_environment(variables, ["a.-b", "c_"])
    assert found.problems == []
    assert found.pair == {"0": {"start": "01:00"}, "1": {"start": "02:00"}}


def test_the_file_that_the_environment_names(write, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = write(TWO)
    monkeypatch.setenv("NIGHTFERRY_CONFIG", str(path))
    assert load(None).state_dir == Path("/srv/state")
    with pytest.raises(WrongUse, match=r"other\.toml: there is no such file"):  # what is given goes first
        load(tmp_path / "other.toml")
    monkeypatch.setenv("NIGHTFERRY_CONFIG", "")
    with pytest.raises(WrongUse, match="NIGHTFERRY_CONFIG is set and empty"):
        load(None)


def test_the_file_where_nothing_is_named(write, monkeypatch: pytest.MonkeyPatch) -> None:
    assert Path("/etc/nightferry.toml") == source.DEFAULT_FILE
    monkeypatch.setattr(source, "DEFAULT_FILE", write(TWO))  # this machine's own file is not for a test to write
    assert load(None).state_dir == Path("/srv/state")
