"""When jobs are due, and who gets a shared sweeper. Pure: it is told the time."""
