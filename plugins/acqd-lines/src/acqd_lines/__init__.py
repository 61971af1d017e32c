"""A driver for any sweeper that speaks lines or blocks, described in a profile."""
