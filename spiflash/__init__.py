"""spiflash: save, understand, recover and clone SPI NOR flash chips at a repair bench."""

__version__ = "0.1.0"
