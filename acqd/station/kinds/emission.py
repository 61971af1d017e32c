"""Kind ``emission``."""
