"""Which adapters there are."""

from spiflash.bus.locate import Adapter, list_adapters
from spiflash.bus.usb import no_access

__all__ = ["Adapter", "list_adapters", "no_access"]
