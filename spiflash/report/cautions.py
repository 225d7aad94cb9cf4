"""The cautions that belong to clipping onto a board: one wording for screen and page."""

from __future__ import annotations

from spiflash.nor.chip import LOW_VOLTAGE, Chip, volts

# The last one: an FTDI channel without a set-up of its own wakes as a UART, with TXD, RTS# and
# DTR# as outputs (FT232H and FT2232H data sheets, from memory); the program leaves inputs behind.
CAUTIONS: tuple[str, ...] = (
    "Unplug the board and its mains adaptor, and take out its battery, before clipping on.",
    "Never open or touch mains-powered parts. Follow your local electrical rules and leave work "
    "on mains to people qualified for it.",
    "Know the chip's voltage first: a 1.8 V chip is destroyed by a 3.3 V adapter. Use a level "
    "shifter for it.",
    "Feed the chip from one source only: either the adapter or the board, never both.",
    "Hold the board's processor in reset while the clip is on, or it drives the same wires.",
    "Touch ground before you touch the board: static kills flash chips without a sign.",
    "Plug the adapter in and run 'spiflash contact' once before you clip on: fresh from the plug "
    "it is a serial port that drives D0, D2 and D4.",
)


def about_voltage(chip: Chip) -> tuple[str, ...]:
    """What must be said of this chip's supply before anything else; nothing for a 3 V part."""
    if chip.lowest_top is None:
        return (
            "The voltage of this chip is not known, and a 3.3 V adapter destroys a 1.8 V chip: "
            "look it up before you go on.",
        )
    if chip.lowest_top >= LOW_VOLTAGE:
        return ()
    if chip.supply is not None and chip.supply[1] < LOW_VOLTAGE:
        return (
            f"STOP: {chip.name} takes at most {chip.supply[1]:g} V. A 3.3 V adapter destroys it: "
            "take the clip off unless a level shifter sits in between.",
        )
    low = " or ".join(
        name for names, span in chip.supplies if span[1] < LOW_VOLTAGE for name in names
    )
    if chip.supply is not None:
        return (
            f"You named this chip {chip.name} ({volts(chip.supply)}), but {low} has the same ID "
            f"and takes at most {chip.lowest_top:g} V; 3.3 V would destroy it. Go on only if the "
            "marking on the chip says so.",
        )
    return (
        f"STOP: this may be {low}, which takes at most {chip.lowest_top:g} V. The supply is "
        f"{chip.supply_text}. A 3.3 V adapter destroys a 1.8 V chip: read the marking, and take "
        "the clip off unless it names a 3 V part or a level shifter sits in between.",
    )


def at_the_clip(chip: Chip) -> tuple[str, ...]:
    """What matters now that this chip is on the clip: its voltage where a 3.3 V adapter may harm
    it, and a word about the rest."""
    return (
        *about_voltage(chip),
        "Board unplugged, battery out, one source of supply, processor in reset? See "
        "'spiflash wiring'.",
    )


def after_backup(supply: str | None) -> tuple[str, ...]:
    """What can go wrong once a set is made; `supply` is the chip's supply range in words."""
    volts = f" ({supply})" if supply else ""
    return (
        "This folder can hold Wi-Fi passphrases, keys and serial numbers of the board. "
        "Do not pass it on as it is.",
        "Before clipping on again: unplug the board and its mains adaptor, take out batteries, "
        "and discharge yourself. Never feed the chip from two sources.",
        f"The adapter's voltage must lie in the supply range of the chip{volts}; "
        "3.3 V destroys a 1.8 V part.",
        "Leave anything with mains voltage inside closed; local electrical rules apply.",
    )
