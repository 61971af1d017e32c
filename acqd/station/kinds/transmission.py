"""Kind ``transmission``."""
