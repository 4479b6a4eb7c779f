"""Currents against what the USB specifications have a port give."""

from __future__ import annotations

from nightferry.planning.power import USB2_PORT_MA, USB3_PORT_MA, Load, judge, port_current_ma


def drive(number: int, *, port_ma: int = USB3_PORT_MA, self_powered: bool = False) -> Load:
    return Load(f"drive {number}", running_ma=500, peak_ma=1_000, port_ma=port_ma, self_powered=self_powered)


def test_ports_as_the_specifications_have_them() -> None:
    assert port_current_ma(480) == USB2_PORT_MA == 5 * 100  # USB 2.0, 7.2.1: five unit loads
    assert port_current_ma(5_000) == port_current_ma(10_000) == USB3_PORT_MA == 6 * 150  # USB 3.2, 11.4
    # One unit load behind a hub that has no supply of its own, by the same chapters.
    assert (port_current_ma(480, of_fed_hub=True), port_current_ma(5_000, of_fed_hub=True)) == (100, 150)


def test_one_drive_runs_from_the_board_and_two_ask_for_a_powered_hub() -> None:
    # Common practice, no source: about 1 A a drive; one runs from a small board, two are touch and go, more do not.
    one = judge([drive(1)])
    assert one.running_ma <= USB3_PORT_MA
    assert not one.over_total
    for count in (2, 3, 4):
        assert judge([drive(number) for number in range(count)]).needs_own_supply


def test_a_drive_with_its_own_supply_asks_nothing_of_the_box() -> None:
    verdict = judge([drive(1, self_powered=True), drive(2, self_powered=True)])
    assert (verdict.running_ma, verdict.peak_ma, verdict.needs_own_supply) == (0, 0, False)


def test_a_drive_that_asks_more_than_its_port_gives_is_named() -> None:
    verdict = judge([Load("recordings", 400, 450, USB2_PORT_MA), Load("second", 800, 850, USB2_PORT_MA)], 5_000)
    assert verdict.over_port == ("second",)
    assert not verdict.over_total
    assert verdict.needs_own_supply
