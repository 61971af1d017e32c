"""Sweeps computed from IQ samples: recordings and streams."""
