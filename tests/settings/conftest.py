"""A configuration file to write, and an environment without variables of nightferry."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

Write = Callable[[str | bytes], Path]


@pytest.fixture(autouse=True)
def clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for variable in [name for name in os.environ if name.startswith("NIGHTFERRY_")]:
        monkeypatch.delenv(variable)


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write_file(content: str | bytes) -> Path:
        path = tmp_path / "nightferry.toml"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return write_file
