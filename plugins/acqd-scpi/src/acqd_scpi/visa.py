"""Links by VISA resource strings."""
