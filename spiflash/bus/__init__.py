"""How bytes travel to the chip: one chip-select period at a time."""
