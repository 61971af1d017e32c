"""The machine that the station runs on: what keeps it from a whole night, and what to do."""
