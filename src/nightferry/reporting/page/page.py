"""Writes the morning report down: one HTML file that needs nothing but itself.

Everything goes through Jinja2's autoescaping; names through ``show_name`` before that, and into ``<bdi>``, so that no
name acts on what stands beside it. The style's hash is in the page's content security policy: were something to get
through all the same, a browser would neither run nor fetch it.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import re
import shlex
from collections.abc import Callable
from importlib.resources import files
from typing import Any

import jinja2
from markupsafe import Markup, escape

from nightferry import __version__
from nightferry.reporting.audit.changes import counted
from nightferry.reporting.look import words
from nightferry.reporting.look.damage_words import damage_line, drive_record, drive_signs
from nightferry.reporting.look.terminal import printable
from nightferry.reporting.look.unbroken import WHOLE
from nightferry.reporting.page import charts
from nightferry.reporting.page.changes import MASS_REMOVAL_FILES
from nightferry.reporting.page.facts import Facts
from nightferry.reporting.page.outlook import forecast_sentence
from nightferry.reporting.page.verdict import STATE_WORDS, verdict
from nightferry.reporting.screens.coverage_text import coverage_line, days
from nightferry.reporting.screens.night_text import kinds_line
from nightferry.reporting.screens.rehearsal_line import OUTCOMES, proof
from nightferry.tree.root import split
from nightferry.typed import typed
from nightferry.units import (
    format_count,
    format_duration,
    format_rate,
    format_size,
    show_name,
    show_text,
)

# A name is shown whole up to this; of longer ones the middle is left out, and the page says where to find it.
_NAME_CHARACTERS = 300
_SHORT_CHARACTERS = 80  # where any name serves as an example
# A page that a phone opens at once. Each list has a limit of its own; should long names pass this one all the same, the
# names go and the sums stay.
PAGE_LIMIT_BYTES = 2 << 20

_CODE = re.compile(r"`([^`\n]{1,500})`")


def render(facts: Facts) -> bytes:
    """The page, in UTF-8."""
    text = _render(facts, names=True)
    page = text.encode("utf-8")
    return page if len(page) < PAGE_LIMIT_BYTES else _render(facts, names=False).encode("utf-8")


def _render(facts: Facts, *, names: bool) -> str:
    style = _resource("style.css")
    digest = base64.b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    report = facts.report
    drawn = {
        "bars": charts.night_bars(facts.history),
        "rates": charts.rate_lines(facts.history),
        "ages": charts.age_bars({} if report is None else report.coverage),
        "room": charts.room_lines(facts),
    }
    return _environment().get_template("page.html").render(
        facts=facts, report=report, changed=facts.changed, verdict=verdict(facts), state_word=STATE_WORDS[facts.state],
        style=Markup(style), style_hash=digest, charts=drawn, with_names=names, version=__version__,
        forecast=forecast_sentence(facts), pair_word=shlex.quote(facts.pair),
        signs=[] if report is None else drive_signs(report),
        records={} if report is None else {each.drive: drive_record(each) for each in report.drive_damage},
    )  # fmt: skip


@functools.cache  # with the templates, whose compiling takes longer than a page
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: _resource(f"templates/{name}")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(_filters())
    environment.globals.update(
        counted=counted, words=words, rate_spread=charts.rate_spread, rates_of=charts.rates_of,
        rate_words=charts.RATE_WORDS, age_words=charts.age_words, ages_of=charts.ages_of, bar_kinds=charts.BAR_KINDS,
        rehearsal_words=OUTCOMES, proof=proof, coverage_line=coverage_line, damage_line=damage_line,
        mass=MASS_REMOVAL_FILES,
    )  # fmt: skip
    return environment


def _filters() -> dict[str, Callable[..., Any]]:
    return {
        "size": lambda value: format_size(round(value)), "count": format_count, "duration": format_duration,
        "rate": format_rate, "days": days, "when": words.when, "day": words.day, "zoned": words.zoned,
        "date_ns": _date_ns, "name": _name, "short": _short, "folder": _folder, "said": _said, "kinds": kinds_line,
        "ending": show_name,
        "sentence": words.sentence, "moment": _moment, "text_name": lambda text: _isolated(show_text(text)),
        "typed": typed,
        "unbroken": _unbroken,
        # What has been through show_text already, which would double its backslashes.
        "shown": lambda text: Markup("<bdi>{}</bdi>").format(printable(text)),
        "text": lambda text: Markup("<bdi>{}</bdi>").format(show_text(text)),
    }  # fmt: skip


def _resource(name: str) -> str:
    return files("nightferry.reporting.page").joinpath(name).read_text(encoding="utf-8")


# --- names and sentences


def _name(path: bytes) -> Markup:
    return _isolated(show_name(path))


def _short(path: bytes) -> Markup:
    """The last part of a path, where it is an example."""
    return _isolated(show_name(split(path)[1]), _SHORT_CHARACTERS)


def _folder(path: bytes) -> Markup:
    return _isolated(show_name(path) + "/") if path else Markup("<em>the top of the drive</em>")


def _isolated(shown: str, limit: int = _NAME_CHARACTERS) -> Markup:
    if len(shown) <= limit:
        return Markup('<bdi class="name">{}</bdi>').format(shown)
    half = limit // 2
    return Markup('<bdi class="name">{} <em>(… {} characters …)</em> {}</bdi>').format(
        shown[:half], format_count(len(shown) - 2 * half), shown[-half:]
    )


def _said(sentence: str) -> Markup:
    """A sentence made for a person; what it has in backticks is a command or a setting."""
    text = printable(sentence)
    found = []
    at = 0
    for match in _CODE.finditer(text):
        found += [_unbroken(text[at : match.start()]), Markup("<code>{}</code>").format(match[1])]
        at = match.end()
    return Markup("").join([*found, _unbroken(text[at:])])


def _unbroken(text: str) -> Markup:
    """A sentence whose dates, and numbers with units, each stay on one line."""
    parts = WHOLE.split(text)
    return Markup("").join(
        Markup('<span class="whole">{}</span>').format(each) if odd % 2 else escape(each)
        for odd, each in enumerate(parts)
    )


# --- moments


def _date_ns(unix_ns: int) -> str:
    try:
        return words.when(unix_ns / 1e9)
    except (ValueError, OverflowError, OSError):
        return "a date out of all bounds"


def _moment(written: str) -> str:
    from nightferry.reporting.standing.status import unix

    return words.zoned(unix(written))
