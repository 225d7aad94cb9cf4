"""What belongs to this one board: addresses, serial numbers, calibration, keys."""

from spiflash.dump.identity.items import OwnItem, called, identity, is_serial_name

__all__ = ["OwnItem", "called", "identity", "is_serial_name"]
