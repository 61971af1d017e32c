"""Kind ``carrier``."""
