"""Makes pictures of the morning report in Chromium, and looks for what keeps people out with axe-core.

    apt-get install chromium nodejs npm
    npm install --prefix /var/tmp/looks playwright-core axe-core
    python tests/looks/look.py /var/tmp/looks            # as root: damage needs real drives
    python tests/looks/look.py /var/tmp/looks busy hold  # these alone

Leaves pages and pictures of each scene there: 360, 800 and 1,400 pixels wide, light and dark, and printed. Ends with 1
where axe-core finds a violation, where a page scrolls sideways, or where something was asked of the network.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
for folder in (HERE.parent, HERE.parent / "night", HERE.parent / "reporting" / "page"):
    sys.path.insert(0, str(folder))

from scenes import SCENES, damaged, latest, page_again, pair_in, real_drives_of  # noqa: E402

from drives import DriveFactory, missing_privileges  # noqa: E402

AS_LARGE = ("quiet", "busy", "hold", "failed-half-way", "year", "many")
DAMAGED = (("damage-primary", 0, False), ("damage-secondary", 1, False), ("damage-again", 1, True))


def make_pages(folder: Path, chosen: list[str]) -> list[Path]:
    """A page for each scene."""
    pages = []
    with tempfile.TemporaryDirectory(prefix="nightferry-looks-") as name:
        top = Path(name)
        for scene, make in SCENES.items():
            if chosen and scene not in chosen:
                continue
            (top / scene).mkdir()
            pair = pair_in(top / scene)
            make(pair)
            if scene in AS_LARGE:
                real_drives_of(pair)
                page_again(pair)
            pages.append(_keep(folder, scene, latest(pair)))
        for scene, side, again in DAMAGED:
            if (chosen and scene not in chosen) or missing_privileges():
                continue
            drives = DriveFactory(top / scene)
            try:
                pages.append(_keep(folder, scene, latest(damaged(drives, top / f"{scene} state", side, again=again))))
            finally:
                drives.close()
    return pages


def _keep(folder: Path, scene: str, page: Path) -> Path:
    kept = folder / f"{scene}.html"
    kept.write_bytes(page.read_bytes())
    print(f"{kept}: {kept.stat().st_size:,} bytes")
    return kept


def main() -> int:
    """Returns 1 where something was found."""
    if len(sys.argv) < 2:
        print(__doc__)
        return 2
    folder = Path(sys.argv[1]).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    pages = make_pages(folder, sys.argv[2:])
    return subprocess.run(["node", HERE / "look.cjs", folder, *pages], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
