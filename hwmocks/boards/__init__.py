"""Demo boards: flash contents that real tools made, for the simulated bench."""
