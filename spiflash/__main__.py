"""python -m spiflash"""

from spiflash.cli.main import main

main()
