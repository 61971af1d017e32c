"""A rehearsal: a whole night of a config on a clock of its own, as fast as the machine goes."""
