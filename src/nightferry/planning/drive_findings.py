"""Findings of the drives themselves: kind, link, power, health, errors. Pure functions of what ``volumes`` has read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from nightferry.planning import links, power
from nightferry.planning.findings import Finding, State, ok, unknown
from nightferry.planning.loads import hub_before, load, port_ma
from nightferry.units import format_count, format_rate, show_text
from nightferry.volumes.io_errors import Counted
from nightferry.volumes.smart import Answer, Health
from nightferry.volumes.sysfs import Disk, UsbDevice, shared_hub

# Above this a drive with platters ages fast (common practice; makers allow 55 to 60 °C).
HOT_C = 55
WORN_SHARE = 0.9
# So many failed commands since a night: more than come of a monitor that asks all day what the drive does not know
# (our own choice).
MANY_COMMANDS = 1_000
_LINK_UNKNOWN = ("nvme", "virtual", None)

_REPLACE = (
    "Plan to replace this drive, and see that the newest night is sound. A drive that clicks or fails should not be"
    " worked harder: copy what matters first."
)


def disk(role: str, disks: Sequence[Disk]) -> Iterator[Finding]:
    """Kind and link of the drive, or drives, that one side stands on."""
    if not disks:
        yield unknown("drive", role, "What kind of drive this is", "The kernel lists no block device for it.")
    for each in disks:
        yield _kind(role, each)
        yield from _link(role, each)
        if each.bridge is not None:
            yield from _usb_power(role, each, each.bridge)


def _named(each: Disk) -> str:
    return show_text(each.name if each.model is None else f"{each.name} ({each.model})")


def _kind(role: str, each: Disk) -> Finding:
    if each.transport == "loop":
        return Finding(
            State.NOTE, "drive", role, f"{each.name} is an image file, {show_text(each.backing_file or 'not known')}.",
            "It is as safe as the drive that the file lies on.", "Use a drive of its own for what matters.",
        )  # fmt: skip
    if each.transport == "memory":
        return Finding(
            State.ATTENTION, "drive", role, f"{each.name} is memory.", "All of it is gone when the box stops.",
            "Use a drive.",
        )  # fmt: skip
    if each.transport == "sd card":
        return Finding(
            State.ATTENTION, "drive", role, f"{_named(each)} is a flash card.",
            "Flash cards wear out from being written and fail without a warning.", "Use a drive.",
        )  # fmt: skip
    if each.rotational is None:
        return unknown("drive", role, f"Whether {_named(each)} has platters", "The kernel does not say.")
    kind = "a drive with platters" if each.rotational else "a solid-state drive"
    # Many USB bridges say that there are platters, whatever there is.
    doubt = " (so says its USB bridge)" if each.transport == "usb" else ""
    return ok("drive", role, f"{_named(each)} is {kind}{doubt}.")


def _link(role: str, each: Disk) -> Iterator[Finding]:
    if each.transport == "usb":
        yield _usb_link(role, each)
    elif each.transport == "sata":
        wire = links.SATA.get(each.link_mbit_per_s or 0)
        if wire is None:
            yield unknown("link", role, f"How fast the link of {_named(each)} is", "The kernel does not say.")
        else:
            yield ok("link", role, f"{wire.name}: at most {format_rate(wire.payload_bytes_per_s)}.")
    elif each.transport in _LINK_UNKNOWN:
        yield unknown("link", role, f"How fast the link of {_named(each)} is", "Of such a drive it is not looked for.")


def _usb_link(role: str, each: Disk) -> Finding:
    bridge = each.bridge
    assert bridge is not None
    wire = links.USB.get(bridge.speed_mbit_per_s or 0)
    if wire is None:
        return unknown("link", role, f"How fast the USB link of {_named(each)} is", "The kernel does not say.")
    found = f"{_named(each)} runs at {bridge.speed_mbit_per_s:,} Mb/s ({wire.name}), at most" + (
        f" {format_rate(wire.payload_bytes_per_s)}."
    )
    if bridge.fell_back:
        return Finding(
            State.ATTENTION, "link", role, f"{found} It says that it could run faster.",
            "A drive that fell back to USB 2.0 is several times slower, and nothing else tells. A cable with four"
            " wires, a bent plug or a USB 2.0 port does that.",
            "Plug it into a port for USB 3 (often blue), with another cable; push the plug in with one quick movement."
            f"{_hub_too(each)}",
        )  # fmt: skip
    if (bridge.speed_mbit_per_s or 0) <= 480:
        return Finding(
            State.NOTE, "link", role, found, "The first copy and every check take long over such a link.",
            "A box and a case with USB 3 would be several times faster.",
        )  # fmt: skip
    return ok("link", role, found)


def _hub_too(each: Disk) -> str:
    """A guess, and no finding of its own: a USB 3 hub shows itself as two, of which the half for USB 2.0 runs at
    480 Mb/s whatever the other does (USB 3.2 specification, chapter 10)."""
    hub = hub_before(each)
    if hub is None:
        return ""
    return f" It may be the hub before it ({hub.name}) that fell back: try its cable and its port as well."


def _usb_power(role: str, each: Disk, bridge: UsbDevice) -> Iterator[Finding]:
    gives_ma, hub = port_ma(each), hub_before(each)
    if bridge.self_powered:
        yield ok("power", role, f"{_named(each)} says that it has a supply of its own.")
    elif bridge.declared_ma is None or gives_ma is None:
        yield unknown("power", role, f"How much current {_named(each)} asks for", "It does not say.")
    elif bridge.declared_ma <= gives_ma:
        yield ok(
            "power", role, f"{_named(each)} asks for {bridge.declared_ma:,} mA; its port gives {gives_ma:,} mA."
        )  # fmt: skip
    else:
        whose = "its port"
        if hub is not None and hub.self_powered is False:
            whose = f"a port of the hub {hub.name}, which has no supply of its own,"
        yield Finding(
            State.ATTENTION, "power", role,
            f"{_named(each)} asks for {bridge.declared_ma:,} mA; {whose} gives {gives_ma:,} mA.",
            "It may drop off the bus when it works hard.",
            "Use a hub with its own supply, or a drive with one.",
        )  # fmt: skip
    if bridge.may_sleep:
        yield Finding(
            State.NOTE, "sleep", role, f"The kernel may suspend {_named(each)} by itself (autosuspend).",
            "Some USB bridges do not wake up again, or lose the drive.",
            f"Should the drive vanish: echo on > /sys/bus/usb/devices/{bridge.name}/power/control, as root.",
        )  # fmt: skip
    elif bridge.may_sleep is None:
        yield unknown("sleep", role, f"Whether {_named(each)} may be suspended", "The kernel does not say.")


# --- both drives


def both(primary: Sequence[Disk], secondary: Sequence[Disk]) -> Iterator[Finding]:
    """What the two sides share: a drive, a hub, the current of the board."""
    common = sorted({each.name for each in primary} & {each.name for each in secondary})
    if common:
        yield Finding(
            State.ATTENTION, "same_drive", "pair", f"Primary and secondary both stand on {', '.join(common)}.",
            "When that drive fails both are gone: this is no second copy.", "Put the secondary on a drive of its own.",
        )  # fmt: skip
        return
    if not primary or not secondary:
        yield unknown("shared", "pair", "Whether the drives share a link", "One of them is not known to the kernel.")
        return
    if any(each.transport == "loop" for each in (*primary, *secondary)):
        yield unknown(
            "shared", "pair", "Whether the drives share a link", "Of image files, the drives below are not looked for."
        )
        return
    hubs = [hub for one in primary for other in secondary if (hub := shared_hub(one, other)) is not None]
    if hubs:
        yield _shared(hubs[0])
    elif any(each.transport in ("virtual", None) for each in (*primary, *secondary)):
        yield unknown(
            "shared", "pair", "Whether the drives share a link", "The kernel does not say how they hang on it."
        )
    else:
        yield ok("shared", "pair", "Each drive has a link of its own.")
    yield from _together([*primary, *secondary])


def _shared(hub: UsbDevice) -> Finding:
    wire = links.USB.get(hub.speed_mbit_per_s or 0)
    rate = "an unknown rate" if wire is None else f"{format_rate(wire.payload_bytes_per_s)} for both"
    if hub.is_root:
        return Finding(
            State.NOTE, "shared", "pair", f"Both drives hang on one USB controller ({hub.name}): {rate}.",
            "With drives that have platters that is seldom the limit; `nightferry plan --measure` tells.",
        )  # fmt: skip
    return Finding(
        State.NOTE, "shared", "pair", f"Both drives hang on one hub ({hub.name}): {rate}.",
        "They share what one port carries, and one bad hub or cable takes both away at once.",
        "If the box has two free ports, plug each drive into one of its own.",
    )  # fmt: skip


def _together(disks: Sequence[Disk]) -> Iterator[Finding]:
    on_usb = {each.name: each for each in disks if each.bridge is not None}
    found = [load(name, each) for name, each in on_usb.items()]
    known = [each for each in found if each is not None]
    if len(known) < len(found):
        return  # said already, drive by drive
    verdict = power.judge(known)
    if verdict.over_total:
        yield Finding(
            State.NOTE, "power_together", "pair",
            f"Starting up, the drives together take about {verdict.peak_ma:,} mA from the box.",
            f"Many small boards give about {verdict.total_ma:,} mA for all ports (common practice; see your board's"
            " sheet).",
            "If drives vanish or the box restarts, use a hub with its own supply.",
        )  # fmt: skip


# --- health


def health(role: str, each: Disk, answer: Answer) -> Iterator[Finding]:
    """What the drive says of itself."""
    name = _named(each)
    if answer.health is None:
        told = f" (smartctl: {show_text(answer.messages[0])})" if answer.messages else ""
        yield unknown("health", role, f"How healthy {name} is", f"{answer.why[:1].upper()}{answer.why[1:]}{told}.")
        return
    said = answer.health
    bad = list(_bad(said))
    if bad:
        yield Finding(
            State.ATTENTION, "health", role, f"{name} reports {', '.join(bad)}.",
            "Drives that report this fail more often than others, soon.", _REPLACE,
        )  # fmt: skip
    elif said.failing is None:
        yield unknown("health", role, f"What {name} thinks of itself", "It gives figures, and no judgement of its own.")
    else:
        yield ok("health", role, f"{name} reports no sign of failing{_with(said)}.")
    yield from _of_the_past(role, each, said)
    bad_spots = said.uncorrectable if said.pending is None else said.pending
    figures = ((bad_spots, "how many sectors could not be read"), (said.temperature_c, "its temperature"))
    if silent := [what for value, what in figures if value is None]:
        yield unknown("health_figures", role, f"Of {name}: {' and '.join(silent)}", "It gives no such figure.")
    if said.temperature_c is not None and said.temperature_c >= HOT_C:
        yield Finding(
            State.ATTENTION, "temperature", role, f"{name} is at {said.temperature_c} °C.", "Heat ages drives.",
            "Give it air.",
        )  # fmt: skip
    if said.self_test_passed is None:
        yield unknown(
            "self_test", role, f"How a self-test of {name} ends", "None is on record.",
            f"Start one, for an evening when nobody uses it: smartctl -t long /dev/{show_text(each.name)}",
        )  # fmt: skip


def _with(said: Health) -> str:
    parts = [
        f"{format_count(value)} {unit}"
        for value, unit in ((said.temperature_c, "°C"), (said.power_on_h, "hours of work"))
        if value is not None
    ]
    return f" ({', '.join(parts)})" if parts else ""


def _of_the_past(role: str, each: Disk, said: Health) -> Iterator[Finding]:
    """What may be over: bits 5 and 6 of smartctl's exit status."""
    past = []
    if said.was_below_threshold:
        past.append("that a value was at its limit once, such as its temperature")
    if said.errors_logged:
        past.append("errors in its log, which may be old")
    if past:
        yield Finding(
            State.NOTE, "health_past", role, f"{_named(each)} reports {' and '.join(past)}.",
            "That alone foretells nothing; new ones, night after night, do.",
            f"See when they were: smartctl -x /dev/{show_text(each.name)}, as root.",
        )  # fmt: skip


def _bad(said: Health) -> Iterator[str]:
    if said.failing:
        yield "that it is failing"
    for count, what in (
        (said.pending, "sectors that could not be read"),
        (said.uncorrectable, "uncorrectable errors"),
        (said.reallocated, "replaced sectors"),
    ):
        if count:
            yield f"{format_count(count)} {what}"
    if said.self_test_passed is False:
        yield "a self-test that failed"
    if said.below_threshold:
        yield "a value at its limit"
    if said.wear_share is not None and said.wear_share >= WORN_SHARE:
        yield f"{said.wear_share:.0%} of its endurance used"


def io_errors(role: str, now: Counted, earlier: Counted | None) -> Finding:
    """``earlier``: as the last night left it; None where none did."""
    new = now if earlier is None else now.since(earlier)
    when = "since it was plugged in or formatted" if earlier is None else "since the last night"
    if new.file_system:
        return Finding(
            State.ATTENTION, "io_errors", role,
            f"The file system counted {format_count(new.file_system)} errors {when}.",
            "The drive, its cable or its power gives wrong answers; a file system with errors gets worse.",
            "See the system log (journalctl -k); unmount and check the file system; change the cable.",
        )  # fmt: skip
    if new.commands:
        many = earlier is not None and new.commands >= MANY_COMMANDS
        return Finding(
            State.ATTENTION if many else State.NOTE, "io_errors", role,
            f"The kernel counted {format_count(new.commands)} failed commands {when}.",
            "So many are seldom harmless: the drive, its cable or its power may be failing." if many else
            "Some are harmless (questions that a bridge does not know). Growing by thousands, they are not.",
            f"See the system log: journalctl -k.{' Change the cable and the port.' if many else ''}",
        )  # fmt: skip
    if new.commands is None and new.file_system is None:
        return unknown("io_errors", role, "Whether the kernel saw errors", "Neither drive nor file system counts any.")
    silent = "" if None not in (new.commands, new.file_system) else (
        " The drive itself counts none." if new.commands is None else " The file system itself counts none."
    )  # fmt: skip
    return ok("io_errors", role, f"No new errors were counted {when}.{silent}")
