"""For authors of drivers and kinds: clocks, links, events and checks to test against."""
