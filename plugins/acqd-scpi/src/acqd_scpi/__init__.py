"""A driver for any sweeper that speaks SCPI-1999."""
