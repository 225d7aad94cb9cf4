"""A simulated repair bench: NOR chips, FTDI adapters and the clip between them.

Written from data sheets as a second opinion; imports nothing of spiflash or chipdb, because a
mock that shares code with what it checks proves nothing.
"""
