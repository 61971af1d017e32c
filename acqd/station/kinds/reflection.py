"""Kind ``reflection``."""
