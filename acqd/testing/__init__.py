"""For authors of drivers: clocks, links and checks to test against."""
