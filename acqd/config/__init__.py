"""Configs: TOML to validated models, with errors that point at the line."""
