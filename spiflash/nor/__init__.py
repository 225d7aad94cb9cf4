"""What a serial NOR flash chip understands.

What the chip is: `probe` asks it, `identify` decides, with `jedec` (manufacturers, SPI NAND),
`sfdp`, the chip table, `shared_id` (several parts with one ID) and `unlisted` (parts that are not
in the table); `capacity` checks the size. The result is a `chip.Chip` with its `geometry`.

What is done to it: `flash` drives it with `commands`, `addressing` and `programming`.
What keeps it from being changed: `scheme` (one entry a protection scheme), `protection_rules`,
`protection` (what is protected now) and `unprotect`.

Data sheets are cited from memory throughout this package. Where a fact comes from the Linux kernel,
a standard or a real chip, that is named with it.
"""
