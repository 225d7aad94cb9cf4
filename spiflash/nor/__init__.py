"""What a serial NOR flash chip understands."""
