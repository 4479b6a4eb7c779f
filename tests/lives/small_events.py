"""Two steps of the exhaustive set beside those of the lives."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lives.steps import add

if TYPE_CHECKING:
    from lives.steps import Args, Draw
    from lives.world import World


def held_night(world: World) -> None:
    """A night that is held as soon as two files would go or be replaced."""
    settings = world.pair.settings
    world.pair.set(hold_count=1)
    try:
        world.night()
    finally:
        world.pair.settings = settings


def restore_nights(world: World, alone: bool) -> None:
    """Every recorded night is restored and compared."""
    world.check_nights(alone=alone)


def _never(draw: Draw) -> Args | None:
    return None


add("held_night", held_night, _never, weight=0, group="other")
add("restore_nights", restore_nights, _never, weight=0, group="other")
