"""Which adapters there are."""

from spiflash.bus.locate import Adapter, list_adapters

__all__ = ["Adapter", "list_adapters"]
