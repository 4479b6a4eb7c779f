"""Whether the ports of a box can feed its drives. Low voltage only: mains work belongs to licensed people."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

# USB 2.0 specification, 7.2.1: a port gives five unit loads of 100 mA; USB 3.2 specification, 11.4: six of 150 mA.
# A hub without a supply of its own has but one such unit for each of its ports (the same chapters).
USB2_PORT_MA = 500
USB3_PORT_MA = 900
USB2_FED_HUB_PORT_MA = 100
USB3_FED_HUB_PORT_MA = 150

# A 2.5-inch drive with platters: about 1 A while it spins up (common practice, no source).
SPIN_UP_MA = 1_000
# Boards limit all their ports together, often to so much (common practice, no source).
BOARD_TOTAL_MA = 1_200


@dataclass(frozen=True)
class Load:
    """One drive. ``self_powered``: it has a supply of its own, or hangs on a hub that has one."""

    name: str
    running_ma: int  # as the drive declares it, or as given
    peak_ma: int  # at its worst moment: spinning up
    port_ma: int  # what its port has to give
    self_powered: bool = False


@dataclass(frozen=True)
class Verdict:
    """``over_port``: drives that ask more of their port than it has to give. Milliamperes."""

    running_ma: int
    peak_ma: int
    total_ma: int
    over_port: tuple[str, ...]

    @property
    def over_total(self) -> bool:
        return self.peak_ma > self.total_ma

    @property
    def needs_own_supply(self) -> bool:
        """A powered hub, or drives with their own supply, is needed."""
        return self.over_total or bool(self.over_port)


def port_current_ma(speed_mbit_per_s: int, *, of_fed_hub: bool = False) -> int:
    """What a USB port of that speed has to give; ``of_fed_hub``: of a hub that is fed through its own plug."""
    if of_fed_hub:
        return USB3_FED_HUB_PORT_MA if speed_mbit_per_s >= 5_000 else USB2_FED_HUB_PORT_MA
    return USB3_PORT_MA if speed_mbit_per_s >= 5_000 else USB2_PORT_MA


def judge(loads: Sequence[Load], total_ma: int = BOARD_TOTAL_MA) -> Verdict:
    """All peaks at once: after a power cut every drive spins up in the same second."""
    fed = [load for load in loads if not load.self_powered]
    return Verdict(
        running_ma=sum(load.running_ma for load in fed),
        peak_ma=sum(load.peak_ma for load in fed),
        total_ma=total_ma,
        over_port=tuple(load.name for load in fed if load.peak_ma > load.port_ma),
    )
