"""TOML in, checked models out."""
