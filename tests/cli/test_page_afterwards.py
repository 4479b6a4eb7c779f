"""After a command by hand the morning report says what is so now, in both places; the night's own page stays."""

from __future__ import annotations

import re
from html import unescape
from pathlib import Path

from box import CONCERT, Box


def both(box: Box) -> tuple[Path, Path]:
    return box.folder() / "reports" / "latest.html", box.secondary() / "records" / "reports" / "latest.html"


def says(box: Box) -> str:
    """The words of the page, which are the same in both places."""
    pages = [each.read_text() for each in both(box)]
    assert pages[0] == pages[1]
    return " ".join(unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", pages[0], flags=re.DOTALL)).split())


def night_pages(box: Box) -> dict[str, str]:
    return {each.name: each.read_text() for each in (box.folder() / "reports").glob("night-*.html")}


def test_verify_finds_damage_mend_puts_it_right_and_the_page_follows(paired: Box) -> None:
    paired.ok("run")
    before = night_pages(paired)
    # Both sides are folders of one drive here, which the page says where it can see that.
    assert re.search("Yes, safe as of|but to the same drive", says(paired))
    (paired.copy() / CONCERT / "01 kyrie.wav").write_bytes(b"x" * 3000)
    paired.ok("verify", "--all", "recordings", code=1)
    told = says(paired)
    assert "but for 1 copy that is bad or missing" in told and "Wants attention" in told
    assert "after nightferry verify" in told and "01 kyrie.wav decayed on the secondary" in told
    paired.ok("mend", "--restore", "--yes", "recordings", code=1 if paired.status()["open_damage"] else 0)
    told = says(paired)
    if paired.status()["open_damage"] == 0:
        assert "bad or missing" not in told and "the next night confirms it" in told
    assert "after nightferry mend" in told
    assert night_pages(paired) == before


def test_a_released_hold_is_no_longer_said_to_wait_for_somebody(paired: Box) -> None:
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.unlink()
    paired.ok("run", code=1)
    assert "what came after waits for you" in says(paired)
    paired.ok("release", "recordings")
    told = says(paired)
    assert "what came after comes with the next night" in told and "waits for you" not in told
    assert "somebody has released it since" in told and "nightferry release recordings" not in told


def test_a_rehearsal_by_hand_is_the_last_one_on_the_page(paired: Box) -> None:
    paired.ok("run")
    (paired.folder() / "reports" / "latest.html").write_text("an old page")
    paired.ok("rehearse", "recordings")
    told = says(paired)
    assert "6 files" in told and "from the secondary alone" in told and "None was made yet" not in told


def test_release_with_the_drives_away_releases_all_the_same(paired: Box) -> None:
    paired.ok("run")
    for path in (paired.primary() / CONCERT).iterdir():
        path.unlink()
    paired.ok("run", code=1)
    paired.secondary().rename(paired.root / "unplugged")
    paired.ok("release", "recordings")
    assert "comes with the next night" in both(paired)[0].read_text()
    (paired.root / "unplugged").rename(paired.secondary())
    assert "waits for you" in both(paired)[1].read_text()


def test_a_page_of_a_night_that_could_not_begin_stays_one(paired: Box) -> None:
    paired.ok("run")
    primary = paired.primary()
    primary.rename(paired.root / "unplugged")
    assert paired.run("run").returncode == 3
    assert "no night could begin" in both(paired)[0].read_text()
    (paired.root / "unplugged").rename(primary)
    paired.ok("verify", "--all", "recordings")
    told = says(paired)
    assert "no night could begin" in told and "after nightferry verify" in told
