"""Any configuration at all: it is loaded, or refused in sentences with exit code 2. Never a traceback.

Random bytes, random TOML, and the settings that exist with values of every type.
"""

from __future__ import annotations

import io
import os
import tempfile
import unicodedata
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from counts import count_case
from nightferry.cli.main import main
from nightferry.errors import WrongUse
from nightferry.settings import PairSettings, Settings, load

LONG = os.environ.get("HYPOTHESIS_PROFILE") == "long"
EXAMPLES = 20_000 if LONG else 120
HARMFUL = {"Cc", "Cf", "Cs", "Zl", "Zp"}  # to a terminal: controls, turns of direction, lone surrogates, ends of lines
quickly = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

NAMES = sorted({*PairSettings.model_fields, *Settings.model_fields, "defaults", "pair"})
TEXT = st.text(max_size=30) | st.sampled_from(
    ["02:30", "24:00", "30d", "-1d", "9" * 40 + "d", "1e400d", "20GiB", "1e999GiB", "10%", "101%", "nan", "inf",
     "off", "all", "/srv/recordings", "/srv/recordings-second", "/", "//", "/srv/../etc", "relative", "", " ", "\x00",
     "\ud800",     "recordings", "*.part", "[", "!", "\\", "**/**", "a" * 5000, "\u0663d", "\uff11\uff10%"]
)  # fmt: skip
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | TEXT | st.dates() | st.times(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
    max_leaves=8,
)  # fmt: skip


def _toml(value: object) -> str:
    """As TOML 1.0 writes it; what it cannot write becomes something wrong, which is as good here."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = "".join(
            c if c.isascii() and c.isprintable() and c not in '"\\' else f"\\U{ord(c):08X}" for c in value
        )
        return f'"{escaped}"'
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_toml(key)} = {_toml(each)}" for key, each in value.items()) + "}"
    return str(value)


def _load(content: bytes) -> None:
    """Loaded, or refused in sentences that can be printed."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "nightferry.toml"
        file.write_bytes(content)
        try:
            load(file)
        except WrongUse as error:
            said = str(error)
            assert said and not any(unicodedata.category(c) in HARMFUL for c in said.replace("\n", "")), repr(said)
            assert len(said) < 20_000
    count_case("configurations tried")


@quickly
@given(st.binary(max_size=400))
def test_random_bytes(content: bytes) -> None:
    _load(content)


TABLE = st.dictionaries(st.sampled_from(NAMES) | TEXT, VALUES, max_size=6)


@quickly
@given(TABLE, TABLE, st.lists(TABLE, max_size=3))
def test_random_tables(top: dict[str, object], defaults: dict[str, object], pairs: list[dict[str, object]]) -> None:
    parts = [("", top), ("[defaults]", defaults), *(("[[pair]]", pair) for pair in pairs)]
    lines = []
    for head, table in parts:
        lines.append(head)
        lines += [f"{_toml(name)} = {_toml(value)}" for name, value in table.items()]
    _load("\n".join(lines).encode())


@quickly
@given(st.sampled_from(NAMES), VALUES, st.sampled_from(["pair", "defaults", "top"]))
def test_one_wrong_setting_in_a_right_configuration(name: str, value: object, where: str) -> None:
    line = f"{name} = {_toml(value)}"
    _load(
        "\n".join(
            [
                line if where == "top" else "",
                "[defaults]",
                line if where == "defaults" else "",
                "[[pair]]",
                'name = "recordings"' if (name, where) != ("name", "pair") else "",
                'primary = "/srv/recordings"' if (name, where) != ("primary", "pair") else "",
                'secondary = "/srv/recordings-second"' if (name, where) != ("secondary", "pair") else "",
                line if where == "pair" else "",
            ]
        ).encode()
    )


@settings(quickly, max_examples=EXAMPLES // 5)
@given(
    st.binary(max_size=200) | st.lists(TEXT, max_size=4).map(lambda each: "\n".join(each).encode("utf-8", "replace"))
)
def test_every_command_refuses_it_with_2(content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "nightferry.toml"
        file.write_bytes(content)
        before = sorted(os.listdir(folder))
        for command in (["status"], ["run"], ["tonight"], ["pair", "recordings"], ["verify"]):
            out, error = io.StringIO(), io.StringIO()
            with redirect_stdout(out), redirect_stderr(error):
                code = main(["--config", str(file), *command])
            assert code == 2, (command, error.getvalue())
            assert "Traceback" not in error.getvalue() and "fault in nightferry" not in error.getvalue()
        assert sorted(os.listdir(folder)) == before


@settings(quickly, max_examples=EXAMPLES // 2)
@given(
    st.dictionaries(
        st.sampled_from([*(f"NIGHTFERRY_{name.upper()}" for name in NAMES), "NIGHTFERRY_PAIR__0__NAME"]),
        TEXT.map(lambda each: each.replace("\x00", "").encode("utf-8", "replace").decode()), max_size=4,
    )
)  # fmt: skip
def test_random_environments(given_env: dict[str, str]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        for name, value in given_env.items():
            patch.setenv(name, value)
        _load(b'[[pair]]\nname = "recordings"\nprimary = "/srv/recordings"\nsecondary = "/srv/recordings-second"\n')
