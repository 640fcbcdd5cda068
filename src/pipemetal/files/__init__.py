"""Files: organs, racks, lots, recipes, settings, logs and layout problems read from and written to TOML, CSV and JSON."""
