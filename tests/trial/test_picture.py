"""The images are valid PNG and show something."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from pngdecoder import crc, decode

from nightferry.trial.picture import Canvas, page_of_music, poster


def test_the_decoder_knows_the_published_check_value() -> None:
    assert crc(b"123456789") == 0xCBF43926  # CRC-32/ISO-HDLC, reveng.sourceforge.io/crc-catalogue


def test_pixels_come_out_as_they_were_drawn() -> None:
    canvas = Canvas(9, 7, (0, 0, 0), (0, 0, 0))
    canvas.bar(-5, 2, 7, 1, (255, 0, 0))  # cut off at the left edge
    canvas.bar(7, 6, 50, 50, (0, 255, 0))  # at the right and the lower one
    canvas.disc(5, 3, 1, 1, (0, 0, 255))
    image = decode(canvas.png())
    letters = {(0, 0, 0): ".", (255, 0, 0): "r", (0, 255, 0): "g", (0, 0, 255): "b"}
    shown = ["".join(letters[tuple(row[x * 3 : x * 3 + 3])] for x in range(image.width)) for row in image.rows]
    assert shown == [
        ".........",
        ".........",
        "rr...b...",
        "....bbb..",
        ".....b...",
        ".........",
        ".......gg",
    ]


@pytest.mark.parametrize("content", [poster("spring", [528, 594, 396]), page_of_music([[88, 99], [528, 594]])])
def test_posters_and_scores_are_pictures(content: bytes, tmp_path: Path) -> None:
    image = decode(content)
    assert (image.width, image.height) == (420, 594)
    assert len({row[x : x + 3] for row in image.rows for x in range(0, len(row), 3)}) > 5
    tool = shutil.which("file")
    if tool is not None:
        (tmp_path / "x.png").write_bytes(content)
        said = subprocess.run([tool, tmp_path / "x.png"], capture_output=True, text=True, check=True).stdout
        assert "PNG image data, 420 x 594, 8-bit/color RGB, non-interlaced" in said


def test_the_same_poster_is_the_same_bytes_and_another_is_not() -> None:
    assert poster("a", [440]) == poster("a", [440]) != poster("b", [440])
    assert poster("a", [440]) != poster("a", [528]), "the notes on it are those that are sung"
