"""The whole way: from the file and the environment to Settings, or to one error that names all that is wrong."""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from nightferry.settings.model import MOST_PAIRS, PairSettings, Settings
from nightferry.settings.problems import problems_of, refusal, unknown_setting
from nightferry.settings.source import (
    DEFAULT_SETTINGS,
    PAIR_SETTINGS,
    TOP_SETTINGS,
    Document,
    Environment,
    file_to_read,
    pair_names,
    read_environment,
    read_file,
)
from nightferry.settings.values import WRITTEN, shown
from nightferry.units import quoted, show_text

_TOP = (*TOP_SETTINGS, "defaults", "pair")


def load(path: Path | None) -> Settings:
    """Read the configuration from a TOML file and the environment.

    Args:
        path: the file; None for what NIGHTFERRY_CONFIG names, else /etc/nightferry.toml.

    Raises:
        WrongUse: for anything that is missing or wrong, with a sentence to a line for each problem.
    """
    path = file_to_read(path)
    return _Loading(show_text(str(path)), read_file(path)).settings()


class _Loading:
    """One configuration on its way, with the sentences on what was wrong so far."""

    def __init__(self, where: str, tables: dict[str, Any]) -> None:
        self.where = where
        self.sentences: list[str] = []
        for name in tables:
            if name not in _TOP:
                self._in_file(unknown_setting(name, _TOP, _elsewhere(name)))
        self.file_defaults = self._defaults_table(tables.get("defaults", {}))
        self.file_pairs = self._pair_tables(tables.get("pair", []))
        file_values: dict[str, Any] = {"defaults": self.file_defaults, "pair": self.file_pairs}
        file_values["top"] = {name: tables[name] for name in TOP_SETTINGS if name in tables}
        self.environment: Environment = read_environment(os.environ, pair_names(self.file_pairs))
        self.sentences += self.environment.problems
        self.document = Document(**file_values)

    def settings(self) -> Settings:
        self._check_defaults()
        pairs = [self._pair(key, table) for key, table in self.document.pair.items()]
        if self.file_pairs or not self.sentences:  # otherwise the one who wrote a wrong `pair` knows already
            settings = self._settings([pair for pair in pairs if pair is not None])
            if settings is not None and not self.sentences:
                return settings
        raise refusal(self.sentences)

    def _in_file(self, sentence: str) -> None:
        self.sentences.append(f"{self.where}: {sentence}")

    def _defaults_table(self, table: object) -> dict[str, Any]:
        if not isinstance(table, dict):
            self._in_file(f"defaults: found {shown(table)}; allowed: a [defaults] table")
            return {}
        for name in table:
            if name not in DEFAULT_SETTINGS:
                hint = "; it belongs to each [[pair]] itself" if name in PAIR_SETTINGS else ""
                self._in_file(f"[defaults]: {unknown_setting(name, DEFAULT_SETTINGS, hint)}")
        return {name: value for name, value in table.items() if name in DEFAULT_SETTINGS}

    def _pair_tables(self, tables: object) -> dict[str, dict[str, Any]]:
        if isinstance(tables, dict):
            self._in_file("pair: found one table, [pair]; allowed: a list of tables, each under [[pair]]")
            return {}
        if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
            self._in_file(f"pair: found {shown(tables)}; allowed: tables, each under [[pair]]")
            return {}
        if len(tables) > MOST_PAIRS:
            raise refusal([f"{self.where}: {len(tables)} pairs are too many; allowed: at most {MOST_PAIRS}"])
        return {str(position): table for position, table in enumerate(tables)}

    def _check_defaults(self) -> None:
        """Once for all pairs: a wrong default is one mistake, and one also where every pair overrides it."""
        stand_in = {"name": "defaults", "primary": "/primary", "secondary": "/secondary"}
        try:
            PairSettings.model_validate({**self.document.defaults, **stand_in}, context=WRITTEN)
        except ValidationError as error:
            for problem in problems_of(error, PAIR_SETTINGS):
                # Whether defaults agree depends on what each pair sets besides.
                if not problem.is_contradiction:
                    self.sentences.append(f"{self._default_source(str(problem.setting))}: {problem.sentence}")

    def _pair(self, key: str, table: Mapping[str, Any]) -> PairSettings | None:
        try:
            return PairSettings.model_validate({**self.document.defaults, **table}, context=WRITTEN)
        except ValidationError as error:
            for problem in problems_of(error, PAIR_SETTINGS):
                setting = str(problem.setting)
                if problem.is_contradiction or setting in table or setting not in self.document.defaults:
                    self.sentences.append(f"{self._pair_source(key, setting)}: {problem.sentence}")
            return None

    def _settings(self, pairs: list[PairSettings]) -> Settings | None:
        values: dict[str, Any] = {**self.document.top, "pair": pairs}
        try:
            return Settings.model_validate(values, context=WRITTEN)
        except ValidationError as error:
            for problem in problems_of(error, _TOP):
                if problem.setting is None:
                    # Pairs that are wrong in themselves have been named, and are not here.
                    if not self.file_pairs:
                        self._in_file(problem.sentence)
                elif problem.setting in TOP_SETTINGS:
                    variable = self.environment.variables.get((problem.setting,))
                    source = f"environment variable {variable}" if variable else f"{self.where}: {problem.setting}"
                    self.sentences.append(f"{source}: {problem.sentence}")
                else:
                    self._in_file(f"{problem.setting}: {problem.sentence}")
            return None

    def _default_source(self, setting: str) -> str:
        variable = self.environment.variables.get(("defaults", setting))
        if variable is not None:
            return f"environment variable {variable} ([defaults]: {quoted(setting)[1:-1]})"
        return f"{self.where}: [defaults]: {quoted(setting)[1:-1]}"

    def _pair_source(self, key: str, setting: str) -> str:
        name = self.document.pair[key].get("name")
        # Without a usable name, its place in the file says which one is meant.
        pair = f"pair {quoted(name)}" if isinstance(name, str) and name else f"pair number {int(key) + 1}"
        place = f"{pair}: {quoted(setting)[1:-1]}"
        variable = self.environment.variables.get(("pair", key, setting))
        return f"environment variable {variable} ({place})" if variable else f"{self.where}: {place}"


def _elsewhere(name: str) -> str:
    if name in PAIR_SETTINGS:
        return "; it belongs into a [[pair]] table" + (" or into [defaults]" if name in DEFAULT_SETTINGS else "")
    return ""
