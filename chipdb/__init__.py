"""The open chip table: one TOML file a vendor, a schema and a loader."""
