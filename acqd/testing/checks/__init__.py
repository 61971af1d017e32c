"""The checks of the conformance kit, by subject; see :mod:`acqd.testing.conformance`."""
