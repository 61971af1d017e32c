"""One evening without a config: from what is plugged in to a watched night and its report."""
