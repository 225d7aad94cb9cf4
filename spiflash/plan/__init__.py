"""What to erase and program, in which order, and how long it takes. Pure."""
