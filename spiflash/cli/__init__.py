"""The commands: parsing and printing only."""
