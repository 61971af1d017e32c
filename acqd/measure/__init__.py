"""What sweeps mean: pure functions on arrays, and the meters that accumulate over sweeps."""
