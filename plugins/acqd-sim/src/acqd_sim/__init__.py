"""A simulated radio scene, a swept receiver in front of it, and a driver that sweeps it."""
