"""What belongs to this one board: addresses, serial numbers, calibration, keys."""
