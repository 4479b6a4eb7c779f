"""The morning report as a page: what a browser makes of it, and that no name and no night breaks it."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import pytest
from scenes import HOSTILE, SCENES, damaged, latest, many_changes, night, page_again, pair_in, real_drives_of

from drives import DriveFactory
from nightferry.night.run import run_night
from nightferry.reporting.page.page import PAGE_LIMIT_BYTES
from nightferry.units import show_name

_HTML = "{http://www.w3.org/1999/xhtml}"
_SVG = "{http://www.w3.org/2000/svg}"
# Elements that run, fetch or send something (HTML standard, sections 4.2, 4.7, 4.8, 4.10, 4.12).
_ACTING = {
    "script", "link", "img", "iframe", "object", "embed", "audio", "video", "source", "form", "input", "button", "base",
    "use", "image", "foreignObject", "animate", "set",
}  # fmt: skip
# Unicode Standard Annex 9: characters that turn the direction of what follows.
_BIDI = re.compile("[\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069]")


def parsed(page: Path) -> Element:
    """By the parser of the HTML standard, in the mode in which it forgives nothing."""
    tree = html5lib.HTMLParser(strict=True).parse(page.read_bytes(), transport_encoding="utf-8")
    assert isinstance(tree, Element)
    return tree


def check_harmless(tree: Element) -> None:
    """Nothing on the page runs, fetches or sends."""
    for element in tree.iter():
        name = str(element.tag).rpartition("}")[2]
        assert name not in _ACTING, name
        for attribute, value in element.attrib.items():
            plain = attribute.rpartition("}")[2]
            assert not plain.startswith("on"), (name, attribute)
            assert plain != "style", "the content security policy lets no such style act"
            if plain in ("href", "src", "action", "data"):
                # Within the page, or the report of a rehearsal that lies beside it.
                assert re.fullmatch(r"#[\w-]+|rehearsal-[\w-]+\.txt", value), (name, value)


@pytest.mark.parametrize("scene", [name for name in SCENES if name != "many"])
def test_each_page_is_well_formed_and_needs_nothing_but_itself(scene: str, tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    SCENES[scene](pair)
    tree = parsed(latest(pair))
    check_harmless(tree)
    policy = [each.get("content", "") for each in tree.iter(f"{_HTML}meta") if each.get("http-equiv")]
    assert policy
    assert "default-src 'none'" in policy[0]
    assert "script" not in policy[0]


def test_the_page_says_first_whether_the_data_is_safe(tmp_path: Path) -> None:
    (tmp_path / "quiet").mkdir()
    (tmp_path / "hold").mkdir()
    pairs = {scene: pair_in(tmp_path / scene) for scene in ("quiet", "hold")}
    for scene, pair in pairs.items():
        SCENES[scene](pair)
        real_drives_of(pair)
        page_again(pair)
    said = {scene: "".join(next(parsed(latest(pair)).iter(f"{_HTML}h1")).itertext()) for scene, pair in pairs.items()}
    assert said["quiet"].startswith("Yes")
    assert not said["hold"].startswith("Yes")
    for pair in pairs.values():
        # Above the first screenful's end on a phone: before anything else stands what wants somebody.
        (header,) = parsed(latest(pair)).iter(f"{_HTML}header")
        assert [each.tag for each in header][:4] == [f"{_HTML}{tag}" for tag in ("p", "h1", "p", "section")]
        assert "What wants you" in "".join(header[3].itertext())


def test_how_long_ago_all_was_last_read_is_drawn_and_stands_in_a_table(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    pair.write("2026-05 spring concert/01 kyrie.wav", b"k" * 2048)
    night(pair)
    with pair.manifest(writable=True) as manifest:  # as if only the copy had been read within the last days
        run = manifest.runs.last()
        assert run is not None
        summary = json.loads(run.summary)
        ages = summary["coverage"]["primary"]["ages"]
        ages[0], ages[3] = ages[3], ages[0]
        manifest.runs.end(run.number, run.ended_s or 0.0, run.outcome or "", json.dumps(summary))
    page_again(pair)
    tree = parsed(latest(pair))
    figures = ["".join(each.itertext()) for each in tree.iter(f"{_HTML}figure")]
    (drawn,) = (each for each in figures if "How long ago everything was last read" in each)
    assert "primary: 100% was last read 30 to 90 days ago" in " ".join(drawn.split())
    (table,) = (each for each in tree.iter(f"{_HTML}table") if "age of their last reading" in "".join(each.itertext()))
    rows = [["".join(cell.itertext()).strip() for cell in row] for row in table.iter(f"{_HTML}tr")]
    cells = {row[0]: row[1:] for row in rows}
    assert cells["Last read"] == ["primary", "secondary"]
    assert (cells["under 1 day"], cells["30 to 90 days"]) == (["", "2.0 KiB"], ["2.0 KiB", ""])


def test_a_copy_on_the_same_drive_is_called_no_safety(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    pair.write("2026-05 spring concert/01 kyrie.wav", b"kyrie")
    night(pair)
    with pair.manifest(writable=True) as manifest:
        run = manifest.runs.last()
        assert run is not None
        note = {"about": "pair", "code": "same_drive", "state": "attention", "found": "Both stand on sda.",
                "meaning": "This is no second copy.", "todo": "Use two."}  # fmt: skip
        summary = json.loads(run.summary) | {"drives": [note]}
        manifest.runs.end(run.number, run.ended_s or 0.0, run.outcome or "", json.dumps(summary))
    page_again(pair)
    said = "".join(next(parsed(latest(pair)).iter(f"{_HTML}h1")).itertext())
    assert said.startswith("Copied as of ") and said.endswith(", but to the same drive.")


def test_rule_H_no_name_acts_on_the_page(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    SCENES["hostile"](pair)
    tree = parsed(latest(pair))
    check_harmless(tree)
    text = "".join(tree.itertext())
    assert not _BIDI.search(text)
    assert not any(ord(each) < 32 and each not in "\n" for each in text)
    assert "read <b>bad</b> \\x1b[31m;" in text, "made harmless once, and not twice"
    shown = {"".join(each.itertext()) for each in tree.iter(f"{_HTML}bdi")}
    assert sum(any(show_name(name) in each for each in shown) for name in HOSTILE) == len(HOSTILE)


def test_each_chart_has_words_and_a_table(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    SCENES["year"](pair)
    tree = parsed(latest(pair))
    charts = [each for each in tree.iter(f"{_SVG}svg") if each.get("role") == "img"]
    assert len(charts) >= 3
    for chart in charts:
        assert chart.get("aria-label") or chart.get("aria-labelledby"), "a picture without words"
    assert len(list(tree.iter(f"{_HTML}table"))) >= len(charts)


def test_a_hundred_thousand_changes_stay_below_2_MiB(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    many_changes(pair)
    page = latest(pair)
    assert page.stat().st_size < PAGE_LIMIT_BYTES
    assert "more" in page.read_text()
    check_harmless(parsed(page))


@pytest.mark.parametrize("side", [0, 1])
def test_damage_is_on_the_page(side: int, drives: DriveFactory, tmp_path: Path) -> None:
    pair = damaged(drives, tmp_path / "state", side)
    tree = parsed(latest(pair))
    text = "".join(tree.itertext())
    assert "01 kyrie.wav" in text
    assert "decayed" in text
    said = "".join(next(tree.iter(f"{_HTML}h1")).itertext())
    if side == 0:
        assert said.endswith("; 1 file on the primary has gone bad.")
    else:
        assert said.startswith("Yes")
        assert "1 file on the secondary had gone bad, and the night mended it from the primary. No other" in text
        assert "In night 22: mended from the primary" in text


def test_a_drive_on_which_files_go_bad_again_is_said_at_the_top(drives: DriveFactory, tmp_path: Path) -> None:
    pair = damaged(drives, tmp_path / "state", 1, again=True)
    (header,) = parsed(latest(pair)).iter(f"{_HTML}header")
    told = " ".join("".join(header.itertext()).split())
    assert "In 90 days that makes 3, found by 3 nights." in told
    assert "nightferry preflight recordings" in told and "think of replacing it" in told
    assert "Nobody has to do anything" not in told


def test_the_page_lies_in_both_places_and_latest_is_the_newest(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    SCENES["quiet"](pair)
    page = latest(pair)
    on_drive = Path(pair.settings.secondary) / "records" / "reports"
    nights = sorted(on_drive.glob("night-*.html"))
    assert nights
    assert (on_drive / "latest.html").read_bytes() == nights[-1].read_bytes() == page.read_bytes()
    assert not list((Path(pair.settings.secondary) / "staging").iterdir())


def test_a_report_that_cannot_be_made_fails_no_night(tmp_path: Path) -> None:
    from nightferry.night.context import Unwatched

    pair = pair_in(tmp_path)
    pair.write("2026-05 spring concert/01 kyrie.wav", b"kyrie")

    def broken(*given: object) -> list[str]:
        raise RuntimeError("no ink")

    result = run_night(pair.settings, pair.state_dir, Unwatched(), clock=pair.clock, report=broken)
    assert result.outcome == "complete"
    assert any("no ink" in note for note in result.notes)
    assert night(pair).outcome == "complete"


def test_a_sound_morning_does_not_say_nothing_where_a_drive_wants_a_look(tmp_path: Path) -> None:
    pair = pair_in(tmp_path)
    pair.write("2026-05 spring concert/01 kyrie.wav", b"kyrie")
    night(pair)
    real_drives_of(pair)  # one of them hangs on a slow link
    page_again(pair)
    told = " ".join(parsed(latest(pair)).itertext())
    assert "Attention:" in told and "Nobody has to do anything" not in told
    assert "Nothing about the files." in told and told.count("another cable") == 2  # at the top, and of the drive


# --- the style


def colours(text: str) -> list[dict[str, str]]:
    """The custom properties of the light and of the dark scheme."""
    blocks = re.findall(r":root \{(.*?)\}", text, re.DOTALL)
    return [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block)) for block in blocks]


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, w3.org/TR/WCAG22/#dfn-relative-luminance)."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio (WCAG 2.2, #dfn-contrast-ratio)."""
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_against_the_standard_s_own_ends() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)  # the grey that just fails, common practice


@pytest.mark.parametrize("scheme", [0, 1])
def test_text_and_charts_stand_out_enough(scheme: int) -> None:
    found = colours(files("nightferry.reporting.page").joinpath("style.css").read_text())[scheme]
    for paper in ("paper", "card"):
        for text in ("ink", "quiet", "link", "sound", "attention", "failed"):
            assert contrast(found[text], found[paper]) >= 4.5, (text, paper)  # WCAG 2.2, 1.4.3
        for drawn in ("added", "changed", "moved", "removed", "other", "young", "week", "month", "quarter", "older"):
            assert contrast(found[drawn], found[paper]) >= 3.0, (drawn, paper)  # WCAG 2.2, 1.4.11
