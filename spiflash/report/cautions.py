"""The cautions that belong to clipping onto a board: one wording for screen and page."""

from __future__ import annotations

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

LOW_VOLTAGE = 3.0
"""Volts: a part whose supply range ends below this must not meet a 3.3 V adapter."""


def at_the_clip(name: str, supply: tuple[float, float] | None) -> tuple[str, ...]:
    """What matters now that this chip is on the clip: its voltage where a 3.3 V adapter may harm
    it, and a word about the rest."""
    said = []
    if supply is None:
        said.append(
            "The voltage of this chip is not known, and a 3.3 V adapter destroys a 1.8 V chip: "
            "look it up before you go on."
        )
    elif supply[1] < LOW_VOLTAGE:
        said.append(
            f"STOP: {name} takes at most {supply[1]:g} V. A 3.3 V adapter destroys it: take the "
            "clip off unless a level shifter sits in between."
        )
    said.append(
        "Board unplugged, battery out, one source of supply, processor in reset? See "
        "'spiflash wiring'."
    )
    return tuple(said)


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
