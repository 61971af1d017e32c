"""Parts of tools/endurance."""
